// The strip under the map: a row a day, with height, bends, surface and stops along the road or the
// clock. Its cursor and the dot on the map are one.

import { useSignal } from "@preact/signals";
import { useEffect, useMemo, useRef } from "preact/hooks";
import { pointName } from "../edit/gestures";
import * as format from "../format";
import { PALETTES } from "../map/palette";
import type { Course, CourseDay } from "../plan/course";
import * as actions from "./actions";
import { IconButton } from "./icons";
import { DayEnd, Events, FuelLine, FuelStops, type Place, Shadows, Signs } from "./RibbonDay";
import { type Axis, axisOf, gridOf, layOut, mAt, surfaceKind, xOf } from "./rows";
import * as state from "./state";

const FIELD_PX = 36;
const BEND_PX = 8;
const SURFACE_Y = FIELD_PX + BEND_PX + 5;
const ROW_PX = SURFACE_Y + 4;
const FOOT_PX = 16;

export function Ribbon() {
  const course = state.course.value;
  const table = useSignal(false);
  if (!course || course.planned.plan.legs.length === 0) return null;
  const axis = axisOf(course);
  return (
    <section class="ribbon" aria-label="Ribbon: the ride from start to end">
      <div class="ribbon-rows" hidden={table.value}>
        {course.days.map((day, i) => (
          <Row key={day.index} course={course} day={day} axis={axis} last={i === course.days.length - 1} />
        ))}
      </div>
      <div class={table.value ? "ribbon-table" : "ribbon-table off-screen"}>
        <Table course={course} />
        <Events course={course} />
      </div>
      <IconButton
        name="table"
        label={table.value ? "Show as a ribbon" : "Show as a table"}
        class="ribbon-switch"
        pressed={table.value}
        onClick={() => (table.value = !table.value)}
      />
    </section>
  );
}

function Row({ course, day, axis, last }: { course: Course; day: CourseDay; axis: Axis; last: boolean }) {
  const box = useRef<HTMLDivElement>(null);
  const width = useSignal(0);
  useEffect(() => {
    if (!box.current) return;
    const watch = new ResizeObserver(([entry]) => {
      width.value = Math.round(entry?.contentRect.width ?? 0);
    });
    watch.observe(box.current);
    return () => watch.disconnect();
  }, []);
  const w = width.value;
  const units = state.units.value;
  const several = course.days.length > 1;
  const [low, high] = heightRange(course);
  const scale = (h: number) => FIELD_PX - 2 - ((h - low) / (high - low)) * (FIELD_PX - 6);
  const row = useMemo(
    () => (w > 0 ? layOut(course, axis, day, w, FIELD_PX, scale, state.bendClass) : undefined),
    [course, w],
  );
  const planDay = course.planned.plan.days[day.index];
  const grid =
    w > 0 ? gridOf(axis, w, 64, units === "miles" ? 1609.344 : 1000, units === "miles" ? "mi" : "km") : [];
  const m = state.cursor.value;
  const here = m !== undefined && m >= day.startM - 0.5 && m <= day.endM + 0.5;
  const spot = here && m !== undefined ? course.at(m) : undefined;
  const x = spot ? xOf(axis, day, spot.m, sinceOf(course, day, spot.m, spot.sinceS), w) : 0;
  const pen = PALETTES[state.dark.value ? "night" : "day"].days;
  const stroke = pen[day.index % pen.length];

  const place: Place = { course, day, axis, width: w };
  const move = (e: PointerEvent) => {
    if (!box.current || w === 0) return;
    const left = box.current.getBoundingClientRect().left;
    state.cursor.value = mAt(course, axis, day, Math.max(0, Math.min(w, e.clientX - left)), w);
  };
  const choose = (at: number) => {
    const s = course.at(at);
    if (!s) return;
    state.select({ kind: "leg", leg: s.leg, m: at });
    state.cursor.value = at;
    actions.goTo([s.lat, s.lon]);
  };
  const key = (e: KeyboardEvent) => {
    const length = day.endM - day.startM;
    const now = here && m !== undefined ? m : day.startM;
    const steps: Record<string, number> = {
      ArrowRight: now + length / 100,
      ArrowUp: now + length / 100,
      ArrowLeft: now - length / 100,
      ArrowDown: now - length / 100,
      PageUp: now + length / 10,
      PageDown: now - length / 10,
      Home: day.startM,
      End: day.endM,
    };
    const next = steps[e.key];
    if (next !== undefined) {
      state.cursor.value = Math.max(day.startM, Math.min(day.endM, next));
    } else if (e.key === "Enter" || e.key === " ") choose(now);
    else return;
    e.preventDefault();
    e.stopPropagation();
  };
  const name = several ? `Day ${day.index + 1}` : "Ride";
  const date = day.departS === undefined ? "" : format.dayOfYear(day.departS);
  return (
    <div class="row">
      <div class="row-start">
        {several && (
          <span class="row-name">
            <svg width="18" height="8" aria-hidden="true">
              <line
                x1="0"
                x2="18"
                y1="4"
                y2="4"
                stroke={stroke?.colour}
                stroke-width="3"
                stroke-dasharray={stroke?.dash?.map((d) => d * 3).join(" ")}
              />
            </svg>
            {name}
          </span>
        )}
        {date && <span>{date}</span>}
        {day.departS !== undefined && <b>{format.timeOfDay(day.departS)}</b>}
      </div>
      <div class="row-field">
        <div
          class="row-plot"
          ref={box}
          role="slider"
          tabIndex={0}
          aria-label={`${name}: along the line`}
          aria-valuemin={0}
          aria-valuemax={Math.round(day.endM - day.startM)}
          aria-valuenow={spot ? Math.round(spot.m - day.startM) : 0}
          aria-valuetext={spot ? spotText(course, spot.m) : "start"}
          onPointerMove={move}
          onPointerLeave={() => {
            if (document.activeElement !== box.current) state.cursor.value = undefined;
          }}
          onClick={(e) => {
            if (box.current && w > 0)
              choose(mAt(course, axis, day, e.clientX - box.current.getBoundingClientRect().left, w));
          }}
          onFocus={() => {
            if (!here) state.cursor.value = day.startM;
          }}
          onBlur={() => (state.cursor.value = undefined)}
          onKeyDown={key}
        >
          {row && (
            <svg width={w} height={ROW_PX + (last ? FOOT_PX : 0)} aria-hidden="true">
              {grid.map((g) => (
                <line key={g.text} class="grid" x1={g.x} x2={g.x} y1="0" y2={ROW_PX} />
              ))}
              <Shadows place={place} heightPx={FIELD_PX} />
              <path class="silhouette" d={row.silhouette} />
              <FuelLine place={place} heightPx={FIELD_PX} />
              {row.bends.map((b) => (
                <rect
                  key={b.from}
                  x={b.from}
                  y={FIELD_PX}
                  width={b.to - b.from + 0.3}
                  height={BEND_PX}
                  style={{ fill: `var(--bend-${b.value})` }}
                />
              ))}
              {row.surfaces.map((s) => (
                <line
                  key={s.from}
                  class={`surface-line surface-line-${s.value}`}
                  x1={s.from}
                  x2={s.to}
                  y1={SURFACE_Y}
                  y2={SURFACE_Y}
                />
              ))}
              {course.marks
                .filter((k) => k.day === day.index)
                .map((k) => (
                  <Tick key={k.point} course={course} day={day} axis={axis} width={w} mark={k} />
                ))}
              {day.rows
                .filter((r) => r.kind === "rest" || r.kind === "ferry")
                .map((r) => (
                  <rect
                    key={`${r.kind} ${r.km}`}
                    class={`halt halt-${r.kind}`}
                    x={xOf(axis, day, day.startM + r.km * 1000, r.from_s, w)}
                    y={0}
                    width={axis.kind === "time" ? ((r.to_s - r.from_s) / (axis.to - axis.from)) * w : 0}
                    height={ROW_PX}
                  />
                ))}
              <Signs place={place} y={FIELD_PX} />
              {last &&
                grid
                  .filter((g) => g.x < w - 14)
                  .map((g) => (
                    <text
                      key={g.text}
                      class="grid-text"
                      x={Math.max(0, g.x)}
                      y={ROW_PX + 12}
                      text-anchor={g.x < 14 ? "start" : "middle"}
                    >
                      {g.text}
                    </text>
                  ))}
              {spot && (
                <g class="row-cursor">
                  <line x1={x} x2={x} y1="0" y2={ROW_PX} />
                  {spot.heightM !== undefined && <circle cx={x} cy={scale(spot.heightM)} r="3.5" />}
                </g>
              )}
            </svg>
          )}
          {spot && w > 0 && (
            <div class={`row-words ${x > w / 2 ? "left" : ""}`} style={{ left: `${x}px` }} aria-hidden="true">
              {spotText(course, spot.m)}
            </div>
          )}
        </div>
        {w > 0 && <FuelStops place={place} />}
        {w > 0 && several && <DayEnd place={place} />}
      </div>
      <div class="row-end">
        {day.departS !== undefined && <b>{format.timeOfDay(day.departS + day.spanS)}</b>}
        <b>{format.length(day.endM - day.startM, units)}</b>
        {planDay && <span>{format.span(planDay.sums.riding_s)}</span>}
        {planDay && planDay.highest_m !== null && <span>top {format.height(planDay.highest_m, units)}</span>}
      </div>
    </div>
  );
}

/** Seconds after departure; where one halts, the time of leaving. */
function sinceOf(course: Course, day: CourseDay, m: number, sinceS: number): number {
  const mark = course.marks.findLast((k) => k.day === day.index && Math.abs(k.m - m) < 1);
  return mark ? mark.leaveS : sinceS;
}

function heightRange(course: Course): [number, number] {
  const low = course.lowM ?? 0;
  // A flat country must not look like mountains.
  return [low, Math.max(low + 150, course.highM ?? 0)];
}

function Tick(props: {
  course: Course;
  day: CourseDay;
  axis: Axis;
  width: number;
  mark: Course["marks"][number];
}) {
  const { course, day, axis, width, mark } = props;
  const stop = course.planned.tour.points[mark.point]?.kind === "stop";
  const x = xOf(axis, day, mark.m, mark.arriveS, width);
  const leave = xOf(axis, day, mark.m, mark.leaveS, width);
  const inner = mark.point !== day.firstPoint && mark.point !== day.lastPoint;
  return (
    <g class={stop ? "tick tick-stop" : "tick tick-via"}>
      <title>{actions.label(mark.point)}</title>
      {leave - x > 1 && <rect class="halt" x={x} y={0} width={leave - x} height={ROW_PX} />}
      {inner && <line x1={x} x2={x} y1={stop ? 0 : FIELD_PX - 6} y2={stop ? ROW_PX : FIELD_PX + BEND_PX} />}
      {inner && stop && <circle cx={x} cy={4} r={3} />}
    </g>
  );
}

/** What is at a place of the tour, in one line. */
function spotText(course: Course, m: number): string {
  const spot = course.at(m);
  if (!spot) return "";
  const units = state.units.value;
  const day = course.days[spot.day];
  const run = spot.run;
  const words = [format.mark(spot.m - (day?.startM ?? 0), units)];
  if (day?.departS !== undefined) words.push(format.timeOfDay(day.departS + spot.sinceS));
  if (spot.heightM !== undefined) words.push(format.height(spot.heightM, units));
  if (run) {
    const name = [run.number, run.name].filter(Boolean).join(" ");
    words.push(name || format.roadKind(run.class));
    const kind = surfaceKind(run);
    if (kind !== "free" && kind !== "ferry") {
      words.push(`bends ${format.bend(run.bend_deg_per_km, units)}`);
      if (kind !== "paved") words.push(kind === "unknown" ? "surface unknown" : "unpaved");
    }
  }
  return words.join(" · ");
}

function Table({ course }: { course: Course }) {
  const units = state.units.value;
  const { plan, tour } = course.planned;
  const timed = course.days.some((d) => d.departS !== undefined);
  return (
    <table>
      <caption>
        {tour.name || "The plan"}: {format.length(plan.total.length_m, units)},{" "}
        {format.span(plan.total.riding_s)} riding
      </caption>
      <thead>
        <tr>
          <th scope="col">Day</th>
          <th scope="col">Stop or via</th>
          <th scope="col">At</th>
          {timed && <th scope="col">Time</th>}
          <th scope="col">Halt</th>
          <th scope="col">Leg to here</th>
          <th scope="col">Riding</th>
          <th scope="col">Up</th>
          <th scope="col">Down</th>
          <th scope="col">Not paved</th>
        </tr>
      </thead>
      <tbody>
        {course.marks.map((mark) => {
          const day = course.days[mark.day];
          const starts = mark.point === day?.firstPoint;
          const leg = starts ? undefined : plan.legs[mark.point - 1]?.sums;
          const point = tour.points[mark.point];
          const unpaved = leg ? leg.unpaved_m + leg.unknown_surface_m : 0;
          return (
            <tr key={`${mark.day} ${mark.point}`}>
              <td>{mark.day + 1}</td>
              <th scope="row">
                {point?.kind === "via" ? "via " : ""}
                {point?.kind === "via" ? pointName(tour, mark.point) : actions.label(mark.point)}
              </th>
              <td>{format.mark(mark.m - (day?.startM ?? 0), units)}</td>
              {timed && (
                <td>{day?.departS === undefined ? "" : format.timeOfDay(day.departS + mark.arriveS)}</td>
              )}
              <td>{mark.leaveS > mark.arriveS ? format.span(mark.leaveS - mark.arriveS) : ""}</td>
              <td>{leg ? format.length(leg.length_m, units) : ""}</td>
              <td>{leg ? format.span(leg.riding_s) : ""}</td>
              <td>{leg ? format.height(leg.climb_m, units) : ""}</td>
              <td>{leg ? format.height(leg.descent_m, units) : ""}</td>
              <td>{unpaved > 0 ? format.length(unpaved, units) : ""}</td>
            </tr>
          );
        })}
      </tbody>
    </table>
  );
}
