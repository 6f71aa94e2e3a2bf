// The tour at a glance: its name and sums, its files, and its points in riding order.

import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type { PaperSize } from "../api";
import * as format from "../format";
import * as edits from "../tour/edits";
import { nameOf } from "../tour/taste";
import type { Sums } from "../types/Sums";
import * as actions from "./actions";
import { climb, Sheet } from "./Card";
import { focusField } from "./commands";
import { DayTools } from "./DayTools";
import { Icon, IconButton } from "./icons";
import * as state from "./state";
import { TastePrice } from "./TastePanel";

export function TourPanel() {
  const t = state.tour.value;
  const units = state.units.value;
  const plan = state.planned.value?.plan;
  const several = (plan?.days.length ?? 0) > 1;
  const root = useRef<HTMLDivElement>(null);
  useEffect(() => {
    if (!focusField.value) return;
    root.current?.querySelector<HTMLElement>(`[name="${focusField.value}"]`)?.focus();
    focusField.value = undefined;
  }, [focusField.value]);
  const usable = state.regions.value.filter((r) => !r.trouble);
  return (
    <Sheet
      label="Tour"
      kind={several ? `Tour · ${plan?.days.length} days` : "Tour"}
      title={
        <div ref={root} class="grow">
          <input
            class="card-name"
            type="text"
            name="name"
            aria-label="Name of the tour"
            placeholder="Tour without a name"
            value={t.name}
            onChange={(e) => state.edit(edits.rename(t, e.currentTarget.value), "Named")}
          />
        </div>
      }
    >
      {plan && t.points.length > 1 && (
        <>
          <p class="facts">
            <b>{format.length(plan.total.length_m, units)}</b>
            <span>{format.span(plan.total.riding_s)} riding</span>
            {climb(plan.total) && <span>{climb(plan.total)}</span>}
          </p>
          <TastePrice />
          <SurfaceShares sums={plan.total} />
        </>
      )}
      {state.planTrouble.value && <p class="trouble">{state.planTrouble.value}</p>}
      {t.points.length > 1 && (
        <div class="deeds">
          <button type="button" class="primary" onClick={() => void state.takeFile("gpx", false)}>
            <Icon name="take" />
            GPX
          </button>
          {several && (
            <button type="button" onClick={() => void state.takeFile("gpx", true)}>
              <Icon name="take" />
              GPX, a file a day
            </button>
          )}
          <button type="button" onClick={() => void state.takeFile("geojson", false)}>
            GeoJSON
          </button>
          <button type="button" onClick={() => void state.takeFile("kml", false)}>
            KML
          </button>
        </div>
      )}
      {t.points.length > 1 && <OnPaper />}
      {t.points.length > 0 ? <Points /> : <p class="hint">No stops yet. Click the map, or find a place.</p>}
      {t.points.length > 1 && (
        <div class="deeds quiet">
          <button type="button" onClick={actions.reverse}>
            <Icon name="turn" />
            Reverse
          </button>
          <button type="button" onClick={actions.closeLoop}>
            <Icon name="loop" />
            Back to the start
          </button>
          <button type="button" onClick={() => state.fitTour()}>
            Show all
          </button>
        </div>
      )}
      <div class="fields">
        <label>
          Departure
          <input
            type="datetime-local"
            name="depart"
            value={t.depart ?? ""}
            onChange={(e) => state.edit(edits.setDepart(t, e.currentTarget.value), "Departure set")}
          />
        </label>
        <div class="field">
          Taste
          <button
            type="button"
            class="field-button"
            aria-label={`Taste: ${nameOf(state.shown.value.taste)}, change it`}
            onClick={() => state.show("taste")}
          >
            {nameOf(state.shown.value.taste)}
          </button>
        </div>
        {usable.length > 1 && (
          <label>
            Region
            <select value={t.region} onChange={(e) => state.chooseRegion(e.currentTarget.value)}>
              {usable.map((r) => (
                <option key={r.name} value={r.name}>
                  {r.name}
                </option>
              ))}
            </select>
          </label>
        )}
      </div>
      {t.points.length > 1 && <DayTools />}
      <div class="deeds quiet">
        <button type="button" onClick={() => state.newTour()}>
          <Icon name="plus" />
          New tour
        </button>
        <button type="button" onClick={actions.pickFile}>
          <Icon name="file" />
          Open a file
        </button>
      </div>
    </Sheet>
  );
}

/** The roadbook and the handout. */
function OnPaper() {
  return (
    <div class="deeds">
      <button type="button" onClick={() => void state.takePaper("roadbook.pdf")}>
        <Icon name="take" />
        Roadbook
      </button>
      <select
        name="paper"
        aria-label="Size of the roadbook's paper"
        value={state.paperSize.value}
        onChange={(e) => (state.paperSize.value = e.currentTarget.value as PaperSize)}
      >
        <option value="a5">A5</option>
        <option value="a4">A4</option>
        <option value="letter">Letter</option>
      </select>
      <button
        type="button"
        title="The whole tour in one file for friends: opens without a network"
        onClick={() => void state.takePaper("handout.html")}
      >
        Handout
      </button>
    </div>
  );
}

/** Shares of paved, unpaved and unknown, drawn as the map draws roads and said in words. */
function SurfaceShares({ sums }: { sums: Sums }) {
  const parts = [
    { name: "paved", m: sums.paved_m },
    { name: "unpaved", m: sums.unpaved_m },
    { name: "surface unknown", m: sums.unknown_surface_m },
    { name: "drawn by hand", m: sums.free_m },
    { name: "ferry", m: sums.ferry_m },
  ].filter((p) => p.m > 0);
  if (parts.length === 0) return null;
  return (
    <p class="shares">
      {parts.map((p) => (
        <span key={p.name}>
          <i class={`surface-sample surface-${p.name.split(" ")[0]}`} />
          {p.name} <span class="figure">{format.length(p.m, state.units.value)}</span>
        </span>
      ))}
    </p>
  );
}

function Points() {
  const t = state.shown.value;
  const units = state.units.value;
  const course = state.fresh.value ? state.course.value : undefined;
  const held = useSignal<number | undefined>(undefined);
  const over = useSignal<number | undefined>(undefined);
  const list = useRef<HTMLOListElement>(null);

  /** Reordering by pointer: the row under the pointer is where the held one goes. */
  const grip = (index: number) => (down: PointerEvent) => {
    if (down.button !== 0) return;
    down.preventDefault();
    const handle = down.currentTarget as HTMLElement;
    handle.setPointerCapture(down.pointerId);
    held.value = index;
    const rows = () => [...(list.current?.querySelectorAll<HTMLElement>("[data-index]") ?? [])];
    const move = (e: PointerEvent) => {
      const row = rows().find((r) => e.clientY < r.getBoundingClientRect().bottom) ?? rows().at(-1);
      over.value = row ? Number(row.dataset.index) : undefined;
    };
    const end = (e: PointerEvent) => {
      handle.removeEventListener("pointermove", move);
      handle.removeEventListener("pointerup", end);
      handle.removeEventListener("pointercancel", end);
      const to = over.value;
      held.value = over.value = undefined;
      if (e.type === "pointerup" && to !== undefined) actions.moveTo(index, to);
    };
    handle.addEventListener("pointermove", move);
    handle.addEventListener("pointerup", end);
    handle.addEventListener("pointercancel", end);
  };
  /** The keyboard stays on the button of the row that moved. */
  const shift = (index: number, by: 1 | -1) => {
    actions.shift(index, by);
    requestAnimationFrame(() => {
      const row = list.current?.querySelector(`[data-index="${index + by}"]`);
      const buttons = [...(row?.querySelectorAll<HTMLButtonElement>(".icon-button") ?? [])];
      const same = buttons[by < 0 ? 0 : 1];
      (same?.disabled ? buttons[by < 0 ? 1 : 0] : same)?.focus();
    });
  };
  let stops = 0;
  return (
    <ol class="points" ref={list} aria-label="Stops and vias in riding order">
      {t.points.map((p, index) => {
        if (p.kind === "stop") stops++;
        const mark = course?.marks.findLast((m) => m.point === index);
        const arrive = course?.marks.find((m) => m.point === index);
        const day = arrive && course?.days[arrive.day];
        const startsDay =
          mark && course && course.days.length > 1 && course.days[mark.day]?.firstPoint === index;
        const name = actions.label(index);
        const target = over.value === index && held.value !== undefined && held.value !== index;
        const place = target ? (index > (held.value ?? 0) ? "below" : "above") : "";
        return (
          <li
            key={`${index} ${p.lat} ${p.lon}`}
            data-index={index}
            class={`point ${p.kind} ${held.value === index ? "held" : ""} ${place}`}
          >
            <span class="point-grip" title="Drag to reorder" onPointerDown={grip(index)}>
              <Icon name="grip" />
            </span>
            <button type="button" class="point-name" onClick={() => actions.choosePoint(index)}>
              <span class={`point-sign ${p.kind}`}>{p.kind === "stop" ? stops : ""}</span>
              <span class="point-words">{name}</span>
              <span class="figure">
                {arrive
                  ? day?.departS !== undefined
                    ? format.timeOfDay(day.departS + arrive.arriveS)
                    : format.mark(arrive.m, units)
                  : ""}
              </span>
            </button>
            <IconButton
              name="up"
              label={`${name}: earlier`}
              disabled={index === 0}
              onClick={() => shift(index, -1)}
            />
            <IconButton
              name="down"
              label={`${name}: later`}
              disabled={index === t.points.length - 1}
              onClick={() => shift(index, 1)}
            />
            {startsDay && mark && mark.day > 0 && (
              <span class="day-sign">Day {mark.day + 1} starts here</span>
            )}
          </li>
        );
      })}
    </ol>
  );
}
