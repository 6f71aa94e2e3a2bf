// What the day's sheet adds to a row of the ribbon: light, fuel, warnings, and the end of the day, which can be
// dragged or moved by key.

import * as format from "../format";
import type { Course, CourseDay } from "../plan/course";
import * as edits from "../tour/edits";
import type { FuelStop } from "../types/FuelStop";
import type { Tour } from "../types/Tour";
import { type Axis, xOf } from "./rows";
import * as state from "./state";

/** Pixels within which a dragged end of a day takes the stop or via that is there. */
const SNAP_PX = 9;
/** A day is no shorter than this, metres. */
const LEAST_M = 1000;

export interface Place {
  course: Course;
  day: CourseDay;
  axis: Axis;
  width: number;
}

/** Pixels from the left of a kilometre of the day. */
export function xOfKm({ course, day, axis, width }: Place, km: number): number {
  const m = Math.max(day.startM, Math.min(day.endM, day.startM + km * 1000));
  return xOf(axis, day, m, course.at(m)?.sinceS ?? 0, width);
}

const sheetOf = ({ course, day }: Place) => course.planned.plan.days[day.index]?.sheet;

/** Twilight, night and low sun. */
export function Shadows({ place, heightPx }: { place: Place; heightPx: number }) {
  return (
    <>
      {sheetOf(place)?.light.map((l) => {
        const from = xOfKm(place, l.from_km);
        const to = xOfKm(place, l.to_km);
        return (
          <rect
            key={`${l.kind} ${l.from_km}`}
            class={`light light-${l.kind}`}
            x={from}
            y={0}
            width={Math.max(0, to - from)}
            height={l.kind === "low_sun" ? 3 : heightPx}
          />
        );
      })}
    </>
  );
}

/** The level in the tank, where to refuel, where it runs dry. */
export function FuelLine({ place, heightPx }: { place: Place; heightPx: number }) {
  const fuel = sheetOf(place)?.fuel;
  if (!fuel || fuel.level.length < 2) return null;
  const most = Math.max(...fuel.level.map((l) => l[1]), 1e-9);
  const y = (litres: number) => heightPx - 2 - (litres / most) * (heightPx - 8);
  const points: string[] = [];
  for (const [i, [km, litres]] of fuel.level.entries()) {
    const [before, had] = fuel.level[i - 1] ?? [km, litres];
    // The clock is not even along the road.
    const steps = km > before ? 12 : 1;
    for (let k = 1; k <= steps; k++) {
      const at = before + ((km - before) * k) / steps;
      points.push(`${xOfKm(place, at).toFixed(1)} ${y(had + ((litres - had) * k) / steps).toFixed(1)}`);
    }
  }
  return (
    <g class="fuel">
      <path d={`M${points.join("L")}`} />
      {fuel.dry.map((d) => (
        <line
          key={d.km}
          class="fuel-dry"
          x1={xOfKm(place, d.km)}
          x2={xOfKm(place, Math.min(d.empty_km, (place.day.endM - place.day.startM) / 1000))}
          y1={heightPx - 2}
          y2={heightPx - 2}
        />
      ))}
    </g>
  );
}

/** Warnings of the day as small signs at their place. */
export function Signs({ place, y }: { place: Place; y: number }) {
  const { day } = place;
  const own = state.warnings.value.filter((w) => {
    const m = (w.km ?? -1) * 1000;
    return m >= day.startM - 0.5 && m <= day.endM + 0.5;
  });
  let free = -10;
  return (
    <g class="signs">
      {own.map((w) => {
        const x = xOfKm(place, (w.km ?? 0) - day.startM / 1000);
        if (x - free < 8) return null;
        free = x;
        return (
          <path key={`${w.kind} ${w.km}`} d={`M${x - 4} ${y}h8l-4 -7z`}>
            <title>{w.text}</title>
          </path>
        );
      })}
    </g>
  );
}

/** In words: where to refuel. */
export function fuelText(stop: FuelStop): string {
  const words = [stop.name || "Fuel", format.mark(stop.km * 1000, state.units.value)];
  words.push(`${Math.ceil(stop.litres)} l`);
  if (stop.aside_m > 60) words.push(`${format.offset(stop.aside_m, state.units.value)} aside`);
  if (stop.open === false) words.push("closed at that hour");
  return words.join(" · ");
}

/** Makes a proposed halt for fuel a stop of the tour. */
export function addFuel(stop: FuelStop): void {
  const t = state.tour.value;
  const point = { ...edits.newPoint("stop", stop.at, stop.name || "Fuel"), dwell_min: 10, refuel: true };
  state.edit(edits.insert(t, stop.leg, point), "Fuel stop added", { kind: "point", index: stop.leg + 1 });
}

/** Proposed halts for fuel as buttons over the row. */
export function FuelStops({ place }: { place: Place }) {
  const stops = sheetOf(place)?.fuel.stops ?? [];
  return (
    <>
      {stops.map((s) =>
        s.point === null ? (
          <button
            key={s.km}
            type="button"
            class="row-fuel"
            style={{ left: `${xOfKm(place, s.km)}px` }}
            title={`Add this stop: ${fuelText(s)}`}
            aria-label={`Add fuel stop: ${fuelText(s)}`}
            onClick={(e) => {
              e.stopPropagation();
              addFuel(s);
            }}
          >
            fuel
          </button>
        ) : null,
      )}
    </>
  );
}

/** The tour with the end of a day moved to `m` metres from the start, to a point that is near if there is one. */
function moved(tour: Tour, { course, day }: Place, m: number, nearM: number): Tour {
  const next = course.days[day.index + 1];
  if (!next) return tour;
  const at = Math.max(day.startM + LEAST_M, Math.min(next.endM - LEAST_M, m));
  const near = course.marks
    .filter((k) => k.point > day.firstPoint && k.point < next.lastPoint && Math.abs(k.m - at) <= nearM)
    .sort((a, b) => Math.abs(a.m - at) - Math.abs(b.m - at))[0];
  if (near) return edits.moveDayEnd(tour, day.lastPoint, { index: near.point });
  const spot = course.at(at);
  if (!spot) return tour;
  return edits.moveDayEnd(tour, day.lastPoint, { leg: spot.leg, at: [spot.lat, spot.lon] });
}

/** The handle at the end of a day that is not the last. */
export function DayEnd({ place }: { place: Place }) {
  const { course, day, axis, width } = place;
  const next = course.days[day.index + 1];
  if (!next) return null;
  const x = Math.min(width, xOf(axis, day, day.endM, day.spanS, width));
  const units = state.units.value;
  const perPx = (axis.to - axis.from) / width;
  /** Metres from the start of the tour so many pixels further; the ride goes on with the next day's. */
  const mOf = (byPx: number) => {
    const by = byPx * perPx;
    if (axis.kind === "distance") return day.endM + by;
    return by > 0 ? course.atTime(next.index, by) : course.atTime(day.index, day.spanS + by);
  };
  const press = (down: PointerEvent) => {
    if (down.button !== 0 || !state.fresh.value) return;
    down.preventDefault();
    down.stopPropagation();
    const handle = down.currentTarget as HTMLElement;
    handle.focus();
    handle.setPointerCapture(down.pointerId);
    const tour = state.tour.value;
    const nearM = Math.abs(mOf(SNAP_PX) - mOf(-SNAP_PX)) / 2;
    const at = (e: PointerEvent) => moved(tour, place, mOf(e.clientX - down.clientX), nearM);
    const move = (e: PointerEvent) => {
      if (Math.abs(e.clientX - down.clientX) > 2) state.preview(at(e));
    };
    const end = (e: PointerEvent) => {
      handle.removeEventListener("pointermove", move);
      handle.removeEventListener("pointerup", end);
      handle.removeEventListener("pointercancel", end);
      const still = Math.abs(e.clientX - down.clientX) <= 2;
      if (e.type === "pointerup" && !still) state.edit(at(e), "The day ends elsewhere", { kind: "none" });
      else state.dropDraft();
    };
    handle.addEventListener("pointermove", move);
    handle.addEventListener("pointerup", end);
    handle.addEventListener("pointercancel", end);
  };
  const key = (e: KeyboardEvent) => {
    const km: Record<string, number> = {
      ArrowLeft: -2,
      ArrowDown: -2,
      ArrowRight: 2,
      ArrowUp: 2,
      PageDown: -20,
      PageUp: 20,
    };
    const by = km[e.key];
    if (by === undefined) return;
    e.preventDefault();
    e.stopPropagation();
    if (!state.fresh.value) return;
    const tour = moved(state.tour.value, place, day.endM + by * 1000, 200);
    state.edit(tour, `Day ${day.index + 1} ends ${by < 0 ? "earlier" : "later"}`, { kind: "none" });
  };
  const clock = day.departS === undefined ? "" : `, ${format.timeOfDay(day.departS + day.spanS)}`;
  return (
    <button
      type="button"
      class="row-break"
      role="slider"
      style={{ left: `${x}px` }}
      title="Drag the end of the day; arrow keys move it"
      aria-label={`End of day ${day.index + 1}`}
      aria-valuemin={0}
      aria-valuemax={Math.round((next.endM - day.startM) / 1000)}
      aria-valuenow={Math.round((day.endM - day.startM) / 1000)}
      aria-valuetext={`${format.mark(day.endM - day.startM, units)}${clock}`}
      onPointerDown={press}
      onKeyDown={key}
      onClick={(e) => e.stopPropagation()}
    />
  );
}

/** What happens on the way, said in a table: fuel, rests, ferries, light, warnings. */
export function Events({ course }: { course: Course }) {
  const units = state.units.value;
  const events = course.days.flatMap((day) => {
    const sheet = course.planned.plan.days[day.index]?.sheet;
    const list: { km: number; what: string }[] = [];
    for (const r of sheet?.rows ?? []) {
      const minutes = format.span(r.to_s - r.from_s);
      if (r.kind === "rest") list.push({ km: r.km, what: `rest, ${minutes}` });
      if (r.kind === "ferry") list.push({ km: r.km, what: `ferry, waiting included ${minutes}` });
      if (r.kind === "clock") list.push({ km: r.km, what: r.text });
    }
    for (const s of sheet?.fuel.stops ?? []) list.push({ km: s.km, what: `refuel: ${fuelText(s)}` });
    for (const d of sheet?.fuel.dry ?? [])
      list.push({ km: d.km, what: "the reserve is begun, no fuel before" });
    const light = { night: "in the dark", twilight: "in twilight", low_sun: "with the sun low ahead" };
    for (const l of sheet?.light ?? []) {
      list.push({ km: l.from_km, what: `${light[l.kind]} until ${format.mark(l.to_km * 1000, units)}` });
    }
    for (const w of state.warnings.value) {
      const m = (w.km ?? -1) * 1000;
      if (m >= day.startM - 0.5 && m <= day.endM + 0.5) {
        list.push({ km: (m - day.startM) / 1000, what: w.text });
      }
    }
    return list.sort((a, b) => a.km - b.km).map((e) => ({ ...e, day }));
  });
  if (events.length === 0) return null;
  return (
    <table>
      <caption>On the way</caption>
      <thead>
        <tr>
          <th scope="col">Day</th>
          <th scope="col">What</th>
          <th scope="col">At</th>
        </tr>
      </thead>
      <tbody>
        {events.map((e) => (
          <tr key={`${e.day.index} ${e.km} ${e.what}`}>
            <td>{e.day.index + 1}</td>
            <th scope="row">{e.what}</th>
            <td>{format.mark(Math.max(0, e.km) * 1000, units)}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
