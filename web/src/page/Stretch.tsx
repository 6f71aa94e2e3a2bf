// Why a road is rated so, the stretch it belongs to, and the best ones in view.

import * as format from "../format";
import { OWN } from "../tour/taste";
import type { Measures } from "../types/Measures";
import type { StretchName } from "../types/StretchName";
import type { Virtues } from "../types/Virtues";
import type { Why } from "../types/Why";
import { Sheet } from "./Card";
import { Icon } from "./icons";
import * as roads from "./roads";
import * as state from "./state";
import * as taste from "./taste";

const percent = (share: number) => `${Math.round(share * 100)}\u00a0%`;

export function StretchCard({ id }: { id: number }) {
  const stretch = roads.lineOf(id) ?? roads.best.value?.find((s) => s.id === id);
  if (!stretch) {
    return (
      <Sheet label="Stretch" kind="Stretch of road" title={<h2>Looking …</h2>}>
        <p class="hint">Fetching the stretch.</p>
      </Sheet>
    );
  }
  return (
    <Sheet label="Stretch" kind="Stretch of road" title={<h2>{stretch.name || "Road without a name"}</h2>}>
      <p class="facts">
        <b>{format.length(stretch.length_m, state.units.value)}</b>
        <span>rated {percent(stretch.total)}</span>
        {stretch.detail && <span>{stretch.detail}</span>}
      </p>
      <RideIt id={id} />
      <WhyFacts why={stretch.why} />
      {roads.best.value && (
        <p class="hint">
          <button type="button" class="link" onClick={() => state.open("roads")}>
            Worth riding here
          </button>
        </p>
      )}
    </Sheet>
  );
}

function RideIt({ id }: { id: number }) {
  const busy = roads.riding.value;
  return (
    <div class="deeds">
      <button type="button" class="primary" disabled={busy} onClick={() => void roads.ride(id)}>
        <Icon name="tour" />
        {busy ? "Bending the line …" : "Ride it"}
      </button>
      <button type="button" onClick={() => roads.fitTo(id)}>
        Show all of it
      </button>
    </div>
  );
}

/** On the card of a road: which stretch it belongs to, and one click to ride that. */
export function PartOf({ stretch }: { stretch: StretchName }) {
  return (
    <div class="part-of">
      <p>
        Part of{" "}
        <button type="button" class="link" onClick={() => state.select({ kind: "stretch", id: stretch.id })}>
          {roads.called(stretch)}
        </button>
      </p>
      <RideIt id={stretch.id} />
    </div>
  );
}

const NAMES: [keyof Virtues, string][] = [
  ["bends", "bends"],
  ["hills", "hills"],
  ["quiet", "quiet"],
  ["surroundings", "surroundings"],
  ["flow", "flow"],
];

/** What a road has to offer, in words and in numbers. */
export function WhyFacts({ why, worth }: { why: Why; worth?: number | undefined }) {
  const name = taste.taste.value?.name;
  return (
    <section class="why" aria-label="Why it is rated so">
      <ul class="reasons">
        {why.text.split("; ").map((reason) => (
          <li key={reason}>{reason.replace(" deg/km", "°/km")}</li>
        ))}
      </ul>
      {worth !== undefined && taste.shade.value === "worth" && (
        <p>
          Worth about {percent(worth)} to {name && name !== OWN ? `"${name}"` : "your taste"}.
        </p>
      )}
      <dl class="virtues">
        {NAMES.map(([key, name]) => (
          <div key={key}>
            <dt>{name}</dt>
            <dd>
              <i class="virtue-bar" style={{ "--share": percent(why.virtues[key]).replace("\u00a0", "") }} />
              <span class="figure">{percent(why.virtues[key])}</span>
            </dd>
          </div>
        ))}
      </dl>
      <details>
        <summary>The numbers behind it</summary>
        <MeasureFacts measures={why.measures} />
      </details>
    </section>
  );
}

function MeasureFacts({ measures: m }: { measures: Measures }) {
  const units = state.units.value;
  const each = (perKm: number) => format.each(perKm, units);
  const rows: [string, string][] = [
    ["bend rate", format.bend(m.bend_deg_per_km, units)],
    ["at a pleasant lean", percent(m.lean_share)],
    ["left to right and back", each(m.changes_per_km)],
    ["hard changes of speed", each(m.breaks_per_km)],
    ["junctions", each(m.junctions_per_km)],
    ["signals and stops", each(m.stops_per_km)],
    ["among houses", percent(m.built_up_share)],
    ["beside water", percent(m.water_share)],
    ["in woods", percent(m.wood_share)],
    ["in open country", percent(m.open_share)],
  ];
  if (m.paved_share > 0.005) rows.push(["paved", percent(m.paved_share)]);
  if (m.unpaved_share > 0.005) rows.push(["unpaved", percent(m.unpaved_share)]);
  if (m.relief_m) rows.push(["relief around", format.height(m.relief_m, units)]);
  if (m.grade_percent > 0) rows.push(["gradient, mean", `${m.grade_percent.toFixed(1)}\u00a0%`]);
  return (
    <dl class="stretch">
      {rows.map(([name, figure]) => (
        <>
          <dt>{name}</dt>
          <dd>{figure}</dd>
        </>
      ))}
    </dl>
  );
}

/** The best stretches in view. */
export function BestRoads() {
  const list = roads.best.value;
  return (
    <Sheet label="Worth riding" kind="In view, best first" title={<h2>Worth riding here</h2>}>
      {!list && <p class="hint">Looking …</p>}
      {list?.length === 0 && <p class="hint">No rewarding stretch in view. Move the map, or zoom out.</p>}
      <ol class="entries" aria-busy={roads.looking.value}>
        {list?.map((s) => (
          <li key={s.id} class="entry">
            <button
              type="button"
              class="entry-name"
              onClick={() => state.select({ kind: "stretch", id: s.id })}
              onMouseEnter={() => (roads.pointed.value = s.id)}
              onMouseLeave={() => (roads.pointed.value = undefined)}
              onFocus={() => (roads.pointed.value = s.id)}
            >
              {s.name || "Road without a name"}
              <span class="entry-facts">
                {format.length(s.length_m, state.units.value)} · rated {percent(s.total)} ·{" "}
                {format.bend(s.why.measures.bend_deg_per_km, state.units.value)}
              </span>
            </button>
          </li>
        ))}
      </ol>
      <p class="hint">Rated from geometry, tags and ground alone, for no taste in particular.</p>
    </Sheet>
  );
}
