// What makes a day believable and is not on the map: who rides with which tank, fuel on the way, and nights
// proposed for a long tour.

import { useSignal } from "@preact/signals";
import * as api from "../api";
import * as format from "../format";
import * as edits from "../tour/edits";
import type { DayLimits } from "../types/DayLimits";
import type { DaySplit } from "../types/DaySplit";
import type { Lean } from "../types/Lean";
import type { Rider } from "../types/Rider";
import { addFuel, fuelText } from "./RibbonDay";
import * as state from "./state";

/** What the planner takes where the tour says nothing. */
const RIDER: Rider = {
  lean: "normal",
  pace: 1,
  group: false,
  pillion: false,
  luggage: false,
  tank_l: 15,
  reserve_l: 2,
  consumption_l: 5,
  fuel_detour_m: 3000,
  rest_every_min: 120,
  rest_min: 15,
};

export function DayTools() {
  return (
    <>
      <FuelOnTheWay />
      <Nights />
      <RiderFields />
    </>
  );
}

/** Proposed halts for fuel, each added by one click. */
function FuelOnTheWay() {
  const plan = state.fresh.value ? state.planned.value?.plan : undefined;
  const days = plan?.days ?? [];
  const wanted = days.flatMap((d, day) =>
    d.sheet.fuel.stops.filter((s) => s.point === null).map((stop) => ({ stop, day })),
  );
  if (wanted.length === 0) return null;
  return (
    <ul class="fuel-stops" aria-label="Fuel on the way">
      {wanted.map(({ stop, day }) => (
        <li key={`${day} ${stop.km}`}>
          <span>
            {days.length > 1 && `Day ${day + 1}: `}
            {fuelText(stop)}
          </span>
          <button
            type="button"
            aria-label={`Add ${stop.name || "fuel"} as a stop`}
            onClick={() => addFuel(stop)}
          >
            Add
          </button>
        </li>
      ))}
    </ul>
  );
}

function Nights() {
  const t = state.tour.value;
  const units = state.units.value;
  const hours = useSignal(6);
  const km = useSignal(0);
  const daylight = useSignal(true);
  const camping = useSignal(true);
  const split = useSignal<{ tour: typeof t; days: DaySplit } | undefined>(undefined);
  const busy = useSignal(false);
  const ask = async () => {
    const limits: DayLimits = {
      riding_h: hours.value > 0 ? hours.value : null,
      length_km: km.value > 0 ? km.value : null,
      daylight: daylight.value,
      camping: camping.value,
      depart: t.depart?.slice(11, 16) || "08:30",
    };
    busy.value = true;
    try {
      split.value = { tour: t, days: await api.proposeDays(t, limits) };
    } catch (error) {
      state.trouble(error);
    } finally {
      busy.value = false;
    }
  };
  const shown = split.value?.tour === t ? split.value.days : undefined;
  return (
    <details class="tools">
      <summary>Nights: propose days</summary>
      <div class="fields">
        <NumberField
          label="Riding a day, at most"
          unit="h"
          most={16}
          step={0.5}
          value={hours.value}
          set={(v) => (hours.value = v || 0)}
        />
        <NumberField
          label="Length a day, at most"
          unit="km"
          most={2000}
          step={10}
          value={km.value}
          set={(v) => (km.value = v || 0)}
        />
        <CheckField label="Arrive before sunset" value={daylight.value} set={(v) => (daylight.value = v)} />
        <CheckField label="Camp sites will do" value={camping.value} set={(v) => (camping.value = v)} />
      </div>
      <div class="deeds">
        <button type="button" disabled={busy.value} onClick={() => void ask()}>
          Propose days
        </button>
      </div>
      {shown && shown.nights.length === 0 && <p class="hint">It fits into one day.</p>}
      {shown && shown.nights.length > 0 && (
        <>
          <ol class="nights" aria-label="Proposed nights">
            {shown.riding_s.map((s, day) => {
              const night = shown.nights[day];
              const where = night ? night.name || night.kind : "the end";
              return (
                <li key={day}>
                  Day {day + 1}: {format.length(shown.length_m[day] ?? 0, units)}, {format.span(s)} to {where}
                  {shown.over.includes(day) && " (beyond the limits: no bed within them)"}
                </li>
              );
            })}
          </ol>
          <div class="deeds">
            <button
              type="button"
              class="primary"
              onClick={() => state.edit(edits.splitByNights(t, shown.nights), "Days set", { kind: "none" })}
            >
              Use these days
            </button>
          </div>
        </>
      )}
    </details>
  );
}

function RiderFields() {
  const t = state.tour.value;
  const rider = { ...RIDER, ...t.rider };
  const set = (change: Partial<Rider>) => state.edit(edits.setRider(t, { ...rider, ...change }), "Rider set");
  const number = (label: string, unit: string, key: keyof Rider, most: number, step: number) => (
    <NumberField
      label={label}
      unit={unit}
      name={key}
      most={most}
      step={step}
      value={rider[key] as number}
      set={(v) => v >= 0 && v <= most && set({ [key]: v })}
    />
  );
  const check = (label: string, key: "group" | "pillion" | "luggage") => (
    <CheckField label={label} value={rider[key]} set={(v) => set({ [key]: v })} />
  );
  return (
    <details class="tools">
      <summary>Rider and tank</summary>
      <div class="fields">
        <label>
          Lean in curves
          <select value={rider.lean} onChange={(e) => set({ lean: e.currentTarget.value as Lean })}>
            <option value="relaxed">relaxed, 15°</option>
            <option value="normal">normal, 20°</option>
            <option value="brisk">brisk, 25°</option>
          </select>
        </label>
        {number("Tank", "l", "tank_l", 60, 0.5)}
        {number("Reserve to keep", "l", "reserve_l", 30, 0.5)}
        {number("Consumption per 100 km", "l", "consumption_l", 30, 0.1)}
        {number("Rest after", "min", "rest_every_min", 600, 5)}
        {number("Rest for", "min", "rest_min", 120, 5)}
        {check("In a group", "group")}
        {check("Pillion", "pillion")}
        {check("Luggage", "luggage")}
      </div>
    </details>
  );
}

interface NumberProps {
  label: string;
  unit: string;
  name?: string;
  most: number;
  step: number;
  value: number;
  /** Called with NaN when the field is empty. */
  set: (value: number) => void;
}

function NumberField({ label, unit, name, most, step, value, set }: NumberProps) {
  return (
    <label>
      {label}
      <span class="with-unit">
        <input
          type="number"
          name={name}
          min="0"
          max={most}
          step={step}
          value={value}
          onChange={(e) => set(e.currentTarget.valueAsNumber)}
        />
        {unit}
      </span>
    </label>
  );
}

function CheckField({ label, value, set }: { label: string; value: boolean; set: (on: boolean) => void }) {
  return (
    <label class="check">
      <input type="checkbox" checked={value} onChange={(e) => set(e.currentTarget.checked)} />
      {label}
    </label>
  );
}
