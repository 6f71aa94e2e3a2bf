// The one small card for what is chosen, and what can be done with it.

import type { ComponentChildren } from "preact";
import { useEffect } from "preact/hooks";
import { nearRoad } from "../api";
import { pointName } from "../edit/gestures";
import * as format from "../format";
import type { Spot } from "../plan/course";
import * as edits from "../tour/edits";
import type { NearRoad } from "../types/NearRoad";
import type { Run } from "../types/Run";
import type { Sums } from "../types/Sums";
import * as actions from "./actions";
import { Icon, IconButton } from "./icons";
import * as rides from "./rides";
import { PartOf, StretchCard, WhyFacts } from "./Stretch";
import * as state from "./state";

export function Card() {
  const sel = state.selection.value;
  switch (sel.kind) {
    case "point":
      return <PointCard index={sel.index} />;
    case "leg":
      return <LegCard leg={sel.leg} m={sel.m} />;
    case "drawn":
      return <DrawnCard leg={sel.leg} index={sel.index} />;
    case "place":
      return <PlaceCard sel={sel} />;
    case "stretch":
      return <StretchCard id={sel.id} />;
    case "warning":
      return <WarningCard index={sel.index} />;
    default:
      return null;
  }
}

export function Sheet(props: {
  title: ComponentChildren;
  label: string;
  kind?: string;
  children: ComponentChildren;
}) {
  return (
    <section class="card" aria-label={props.label}>
      <header class="card-head">
        {props.kind && <p class="card-kind">{props.kind}</p>}
        {props.title}
        <IconButton name="close" label="Close" class="card-close" onClick={closeCard} />
      </header>
      {props.children}
    </section>
  );
}

function closeCard(): void {
  if (state.selection.value.kind !== "none") state.select({ kind: "none" });
  else state.panel.value = undefined;
}

function PointCard({ index }: { index: number }) {
  const t = state.tour.value;
  const p = t.points[index];
  if (!p) return null;
  const units = state.units.value;
  const inner = index > 0 && index < t.points.length - 1;
  const mark = state.fresh.value ? state.course.value?.marks.find((m) => m.point === index) : undefined;
  const placed = state.fresh.value ? state.planned.value?.plan.points[index] : undefined;
  const day = mark && state.course.value?.days[mark.day];
  const stop = p.kind === "stop";
  const road = placed?.road;
  return (
    <Sheet
      label={`${stop ? "Stop" : "Via"}: ${actions.label(index)}`}
      kind={`${stop ? "Stop" : "Via"} · ${index + 1} of ${t.points.length}`}
      title={
        <input
          class="card-name"
          type="text"
          aria-label="Name"
          placeholder={road || (stop ? "Name this stop" : "Name this via")}
          value={p.name ?? ""}
          onChange={(e) => state.edit(edits.renamePoint(t, index, e.currentTarget.value), "Named")}
        />
      }
    >
      <p class="facts">
        {mark && <b>{format.mark(mark.m, units)}</b>}
        {mark && day?.departS !== undefined && (
          <span>{clockText(day.departS, mark.arriveS, mark.leaveS)}</span>
        )}
        {p.name && road && <span>on {road}</span>}
        {placed && placed.offset_m > 25 && <span>{format.offset(placed.offset_m, units)} from the road</span>}
      </p>
      <div class="deeds">
        {inner && (
          <button type="button" onClick={() => actions.turnSelected(stop ? "via" : "stop")}>
            <Icon name="turn" />
            {stop ? "Make it a via" : "Make it a stop"}
          </button>
        )}
        {inner && (
          <button type="button" onClick={() => actions.endDay(index, !p.ends_day)}>
            <Icon name="bed" />
            {p.ends_day ? "Join the days" : "End the day here"}
          </button>
        )}
        <button type="button" class="danger" onClick={actions.deleteSelected} title="Key: Delete">
          <Icon name="bin" />
          Delete
        </button>
      </div>
      {stop && (
        <div class="fields">
          {inner && !p.ends_day && (
            <label>
              Halt
              <span class="with-unit">
                <input
                  type="number"
                  min="0"
                  max="1440"
                  step="5"
                  inputMode="numeric"
                  value={p.dwell_min ?? 0}
                  onChange={(e) =>
                    state.edit(edits.setDwell(t, index, e.currentTarget.valueAsNumber), "Halt set")
                  }
                />
                min
              </span>
            </label>
          )}
          {index > 0 && t.depart && (
            <label>
              Be there by
              <input
                type="time"
                name="arrive_by"
                value={p.arrive_by ?? ""}
                onChange={(e) =>
                  state.edit(edits.setArriveBy(t, index, e.currentTarget.value), "Hour of arrival set")
                }
              />
            </label>
          )}
          {p.ends_day && (
            <label>
              Next day leaves at
              <input
                type="time"
                value={p.next_depart ?? ""}
                onChange={(e) =>
                  state.edit(edits.setNextDepart(t, index, e.currentTarget.value), "Departure set")
                }
              />
            </label>
          )}
        </div>
      )}
      <div class="pair">
        <span>Order</span>
        <IconButton
          name="up"
          label="Earlier"
          disabled={index === 0}
          onClick={() => actions.shift(index, -1)}
        />
        <IconButton
          name="down"
          label="Later"
          disabled={index === t.points.length - 1}
          onClick={() => actions.shift(index, 1)}
        />
      </div>
      {index > 0 && <LegKindChoice leg={index - 1} />}
    </Sheet>
  );
}

function clockText(departS: number, arriveS: number, leaveS: number): string {
  const arrive = format.timeOfDay(departS + arriveS);
  return leaveS > arriveS ? `${arrive} to ${format.timeOfDay(departS + leaveS)}` : arrive;
}

function LegKindChoice({ leg }: { leg: number }) {
  const kind = state.tour.value.points[leg + 1]?.leg ?? "road";
  return (
    <fieldset class="choice">
      <legend>Leg from {actions.label(leg)}</legend>
      {(["road", "free"] as const).map((k) => (
        <label key={k}>
          <input
            type="radio"
            name={`leg-${leg}`}
            checked={kind === k}
            onChange={() => actions.turnLeg(leg, k)}
          />
          <span>{k === "road" ? "on roads" : "drawn by hand"}</span>
        </label>
      ))}
    </fieldset>
  );
}

function LegCard({ leg, m }: { leg: number; m: number }) {
  const units = state.units.value;
  const result = state.fresh.value ? state.planned.value : undefined;
  const plannedLeg = result?.plan.legs[leg];
  const spot = result ? state.course.value?.at(m) : undefined;
  return (
    <Sheet
      label="Leg"
      kind={`Leg ${leg + 1}`}
      title={
        <h2>
          {actions.label(leg)} <span class="to">to</span> {actions.label(leg + 1)}
        </h2>
      }
    >
      {plannedLeg?.trouble && <p class="trouble">{plannedLeg.trouble}</p>}
      {plannedLeg && (
        <p class="facts">
          <b>{format.length(plannedLeg.sums.length_m, units)}</b>
          <span>{format.span(plannedLeg.sums.riding_s)} riding</span>
          {climb(plannedLeg.sums) && <span>{climb(plannedLeg.sums)}</span>}
        </p>
      )}
      {spot?.run && <RunFacts run={spot.run} spot={spot} />}
      <div class="deeds">
        <button type="button" onClick={() => actions.putInLeg("via", leg, m)}>
          <Icon name="plus" />
          Via here
        </button>
        <button type="button" onClick={() => actions.putInLeg("stop", leg, m)}>
          <Icon name="plus" />
          Stop here
        </button>
      </div>
      {plannedLeg?.kind === "road" && (
        <div class="deeds quiet">
          <button type="button" onClick={() => rides.ask({ kind: "alternatives", leg })}>
            Other ways
          </button>
          <button type="button" onClick={() => rides.ask({ kind: "between", leg })}>
            A better line, a little longer
          </button>
        </div>
      )}
      <LegKindChoice leg={leg} />
      <p class="hint">Drag the line on the map to bend this leg.</p>
    </Sheet>
  );
}

/** What the line rides on at a place, and why it is drawn the way it is. */
function RunFacts({ run, spot }: { run: Run; spot: Spot }) {
  const units = state.units.value;
  const name = [run.number, run.name].filter(Boolean).join(" ") || format.capital(format.roadKind(run.class));
  return (
    <dl class="stretch">
      <dt>
        at <span class="figure">{format.mark(spot.m, units)}</span>
      </dt>
      <dd>{name}</dd>
      {run.class !== "free" && run.class !== "ferry" && (
        <>
          <dt>bends</dt>
          <dd>
            <BendSample rate={run.bend_deg_per_km} />
            {format.bend(run.bend_deg_per_km, units)}
          </dd>
          <dt>surface</dt>
          <dd>{surfaceText(run.surface, run.paved)}</dd>
        </>
      )}
      {spot.heightM !== undefined && (
        <>
          <dt>height</dt>
          <dd>{format.height(spot.heightM, units)}</dd>
        </>
      )}
      {run.access && (
        <>
          <dt>access</dt>
          <dd class="trouble">{format.access(run.access)}</dd>
        </>
      )}
      {run.marks && run.marks.length > 0 && (
        <>
          <dt>note</dt>
          <dd>{run.marks.map(format.words).join(", ")}</dd>
        </>
      )}
    </dl>
  );
}

export function surfaceText(surface: string, paved: boolean | null): string {
  if (paved === null) return "not known";
  const name = format.words(surface);
  return ["paved", "unpaved"].includes(name) ? name : `${name}, ${paved ? "paved" : "unpaved"}`;
}

export function climb(sums: Sums): string {
  if (sums.climb_m < 1 && sums.descent_m < 1) return "";
  const units = state.units.value;
  return `${format.height(sums.climb_m, units)} up, ${format.height(sums.descent_m, units)} down`;
}

/** A swatch of the map's own colour for a bend rate. */
export function BendSample({ rate }: { rate: number }) {
  return <i class="bend-sample" style={{ background: `var(--bend-${state.bendClass(rate)})` }} />;
}

function DrawnCard({ leg, index }: { leg: number; index: number }) {
  const count = state.tour.value.points[leg + 1]?.drawn?.length ?? 0;
  return (
    <Sheet
      label="Drawn point"
      kind={`Drawn point · ${index + 1} of ${count}`}
      title={<h2>Leg drawn by hand</h2>}
    >
      <p class="hint">
        Drag it, or nudge it with the arrow keys. Press on the leg between two points for another.
      </p>
      <div class="deeds">
        <button type="button" class="danger" onClick={actions.deleteSelected}>
          <Icon name="bin" />
          Delete
        </button>
      </div>
      <LegKindChoice leg={leg} />
    </Sheet>
  );
}

function PlaceCard({ sel }: { sel: Extract<state.Selection, { kind: "place" }> }) {
  const [lat, lon] = sel.at;
  const units = state.units.value;
  const region = state.region.value?.name;
  const road = state.road.value;
  useEffect(() => {
    let wanted = true;
    state.road.value = state.roadHit.value = undefined;
    const touchM = Math.max(30, 12 * (actions.onMap.metresPerPx?.() ?? 0));
    const aimed = !sel.found || sel.found.kind === "road" || sel.found.kind === "coordinate";
    if (region) {
      nearRoad(region, lat, lon, 400)
        .then((answer) => {
          if (!wanted) return;
          state.road.value = answer;
          // A click means the road when it is about as near as a fingertip.
          if (answer && aimed && answer.offset_m <= touchM) state.roadHit.value = answer;
        })
        .catch(() => {});
    }
    return () => {
      wanted = false;
    };
  }, [lat, lon, region]);
  const hit = state.roadHit.value;
  const t = state.tour.value;
  const place = sel.found;
  const name = place && place.kind !== "coordinate" ? place.name : "";
  const title = name || (road ? roadName(road) : format.coordinate(lat, lon));
  const facts = place ? place.detail || format.words(place.kind) : "";
  const leg = t.points.length > 1 ? actions.legFor(sel.at) : undefined;
  const between = leg === undefined ? "" : `between ${actions.label(leg)} and ${actions.label(leg + 1)}`;
  const pointLabel = place && place.kind !== "road" ? name : "";
  return (
    <Sheet label={`Place: ${title}`} kind={facts || (road ? "Road" : "Place")} title={<h2>{title}</h2>}>
      <p class="facts">
        {place?.height_m !== null && place?.height_m !== undefined && (
          <b>{format.height(place.height_m, units)}</b>
        )}
        {title !== format.coordinate(lat, lon) && <span class="figure">{format.coordinate(lat, lon)}</span>}
      </p>
      <div class="deeds">
        {t.points.length > 0 && (
          <button
            type="button"
            title="The new end of the tour"
            onClick={() => actions.put("stop", "end", sel.at, pointLabel)}
          >
            <Icon name="tour" />
            Ride on to here
          </button>
        )}
        {leg !== undefined && (
          <>
            <button
              type="button"
              title={between}
              onClick={() => actions.put("stop", "between", sel.at, pointLabel)}
            >
              <Icon name="plus" />
              Stop here
            </button>
            <button type="button" title={between} onClick={() => actions.put("via", "between", sel.at)}>
              <Icon name="plus" />
              Via here
            </button>
          </>
        )}
        <button type="button" onClick={() => actions.put("stop", "start", sel.at, pointLabel)}>
          <Icon name="tour" />
          Start here
        </button>
        <button type="button" onClick={() => rides.askRound(sel.at, title)}>
          <Icon name="loop" />
          Round trip
        </button>
      </div>
      {between && <p class="hint">A stop or via goes {between}.</p>}
      {hit?.stretch && <PartOf stretch={hit.stretch} />}
      {road && <RoadFacts road={road} named={title} />}
      {hit?.why && hit.class !== "ferry" && <WhyFacts why={hit.why} worth={sel.worth} />}
    </Sheet>
  );
}

const roadName = (r: NearRoad) =>
  [r.number, r.name].filter(Boolean).join(" ") || format.capital(format.roadKind(r.class));

/** Why a road is drawn the way it is. */
function RoadFacts({ road, named }: { road: NearRoad; named: string }) {
  const units = state.units.value;
  return (
    <dl class="stretch">
      <dt>road</dt>
      <dd>
        {roadName(road) !== named && <>{roadName(road)}, </>}
        {format.roadKind(road.class)}
        {road.offset_m > 15 && <>, {format.offset(road.offset_m, units)} from here</>}
      </dd>
      {road.class !== "ferry" && (
        <>
          <dt>bends</dt>
          <dd>
            <BendSample rate={road.bend_deg_per_km} />
            {format.bend(road.bend_deg_per_km, units)}
          </dd>
          <dt>surface</dt>
          <dd>{road.surface === "unknown" ? "not known" : format.words(road.surface)}</dd>
          {road.limit_kmh !== null && (
            <>
              <dt>limit</dt>
              <dd>{format.speed(road.limit_kmh, units)}</dd>
            </>
          )}
        </>
      )}
      <dt>access</dt>
      <dd class={road.access === "open" ? "" : "trouble"}>{format.access(road.access)}</dd>
      {road.conditions.map(([key, value]) => (
        <>
          <dt>{format.words(key.replace(":conditional", ""))}</dt>
          <dd>{value}</dd>
        </>
      ))}
    </dl>
  );
}

function WarningCard({ index }: { index: number }) {
  const warning = state.warnings.value[index];
  if (!warning) return null;
  const count = state.warnings.value.length;
  return (
    <Sheet
      label="Warning"
      kind={`Warning · ${index + 1} of ${count}`}
      title={<h2>{format.capital(format.words(warning.kind))}</h2>}
    >
      <p>{warning.text}</p>
      <div class="deeds">
        {warning.repair && (
          <button type="button" class="primary" onClick={() => actions.repair(warning)}>
            <Icon name="mend" />
            {warning.repair.text}
          </button>
        )}
        {warning.point !== null && (
          <button type="button" onClick={() => actions.choosePoint(warning.point as number)}>
            Show {actions.label(warning.point)}
          </button>
        )}
        {warning.leg !== null && (
          <button
            type="button"
            onClick={() => {
              const mark = state.course.value?.marks.find((k) => k.point === warning.leg);
              state.select({
                kind: "leg",
                leg: warning.leg as number,
                m: warning.km === null ? (mark?.m ?? 0) : warning.km * 1000,
              });
            }}
          >
            Show the leg
          </button>
        )}
        {count > 1 && (
          <button type="button" onClick={() => actions.chooseWarning((index + 1) % count)}>
            Next warning
          </button>
        )}
      </div>
      <p class="hint">
        <button type="button" class="link" onClick={() => state.show("warnings")}>
          All warnings
        </button>
      </p>
    </Sheet>
  );
}

export { pointName };
