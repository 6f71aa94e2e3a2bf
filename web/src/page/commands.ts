// Everything the page can do, by name: the finder offers these beside the places it finds.

import { signal } from "@preact/signals";
import * as actions from "./actions";
import * as rides from "./rides";
import * as roads from "./roads";
import * as state from "./state";
import * as taste from "./taste";

export interface Command {
  label: string;
  /** More words it is found by. */
  also?: string;
  /** Its key, as printed on the list of keys. */
  key?: string;
  run(): void;
}

/** Set by a command that needs a field of the tour's panel. */
export const focusField = signal<string | undefined>(undefined);

function field(name: string): void {
  state.selection.value = { kind: "none" };
  state.panel.value = "tour";
  state.askedForTour.value = true;
  focusField.value = name;
}

/** Where "here" is: the place on the card, the start of the tour, or the middle of the map. */
function middleOrPlace() {
  const sel = state.selection.value;
  return sel.kind === "place" ? sel.at : undefined;
}

/** The commands that make sense now, most wanted first. */
export function commands(): Command[] {
  const t = state.tour.value;
  const sel = state.selection.value;
  const list: Command[] = [];
  const add = (label: string, run: () => void, also = "", key?: string) =>
    list.push(key ? { label, run, also, key } : { label, run, also });

  const middle = actions.onMap.middle?.();
  if (sel.kind === "point") {
    const p = t.points[sel.index];
    const inner = sel.index > 0 && sel.index < t.points.length - 1;
    add(`Delete ${actions.label(sel.index)}`, actions.deleteSelected, "remove", "Delete");
    if (inner && p?.kind === "stop") add("Turn this stop into a via", () => actions.turnSelected("via"));
    if (inner && p?.kind === "via") add("Turn this via into a stop", () => actions.turnSelected("stop"));
    if (inner) {
      const ends = p?.ends_day === true;
      add(
        ends ? "Join the two days here" : "End the day here",
        () => actions.endDay(sel.index, !ends),
        "split",
      );
    }
    add("Move it earlier in the order", () => actions.shift(sel.index, -1), "up reorder");
    add("Move it later in the order", () => actions.shift(sel.index, 1), "down reorder");
  }
  if (sel.kind === "drawn") add("Delete this drawn point", actions.deleteSelected, "remove", "Delete");
  if (sel.kind === "leg") {
    const free = t.points[sel.leg + 1]?.leg === "free";
    add(free ? "Route this leg on roads" : "Draw this leg by hand", () =>
      actions.turnLeg(sel.leg, free ? "road" : "free"),
    );
    add("Put a via on this leg", () => actions.putInLeg("via", sel.leg, sel.m));
    add("Put a stop on this leg", () => actions.putInLeg("stop", sel.leg, sel.m));
  }
  if (sel.kind === "leg") {
    add("Other ways for this leg", () => rides.ask({ kind: "alternatives", leg: sel.leg }), "alternatives");
    add(
      "A better line for this leg",
      () => rides.ask({ kind: "between", leg: sel.leg }),
      "propose minutes longer",
    );
  }
  if (sel.kind === "stretch") add("Ride this stretch", () => void roads.ride(sel.id), "via line over");
  if (sel.kind === "warning") {
    const warning = state.warnings.value[sel.index];
    if (warning?.repair) add(warning.repair.text, () => actions.repair(warning), "repair mend");
  }
  if (sel.kind === "none" && middle) {
    if (t.points.length === 0) {
      add("Start in the middle of the map", () => actions.put("stop", "start", middle), "centre");
    } else {
      add("Ride on to the middle of the map", () => actions.put("stop", "end", middle), "centre stop");
      add("Via in the middle of the map", () => actions.put("via", "between", middle), "centre");
    }
  }
  add("Undo", state.undo, "back take", "Ctrl+Z");
  add("Redo", state.redo, "again", "Ctrl+Shift+Z");
  if (t.points.length > 1) {
    const several = (state.planned.value?.plan.days.length ?? 1) > 1;
    add("Take the GPX file", () => void state.takeFile("gpx", false), "export download save");
    if (several) add("Take a GPX file a day", () => void state.takeFile("gpx", true), "export download zip");
    add("Take the GeoJSON file", () => void state.takeFile("geojson", false), "export download");
    add("Take the KML file", () => void state.takeFile("kml", false), "export download");
    add("Take the roadbook as PDF", () => void state.takePaper("roadbook.pdf"), "paper print junctions");
    add("Take the roadbook as a page to print", () => void state.takePaper("roadbook.html"), "paper html");
    add("Take the handout", () => void state.takePaper("handout.html"), "html friends phone share file");
    add("Print the plan", () => window.print(), "paper");
    add("Reverse the tour", actions.reverse, "other way round direction");
    add("Ride back to the start", actions.closeLoop, "loop round");
  }
  add("Show the whole tour", state.fitTour, "zoom all fit", "0");
  add("Name this tour", () => field("name"), "rename title");
  add("Set the departure", () => field("depart"), "date time clock");
  for (const each of taste.all()) {
    if (each.name !== taste.known.value?.name) {
      add(`Taste: ${each.name}`, () => taste.choose(each), each.text);
    }
  }
  add("Taste: the dials", () => state.open("taste"), "bends hills quiet surface price motorways");
  add("Take the taste as a file", () => void taste.takeFile(), "toml export download share");
  if (taste.shade.value === "worth") {
    add("Shade roads by their bends", () => taste.shadeBy("bends"), "colour legend bend rate");
  } else add("Shade roads by the taste", () => taste.shadeBy("worth"), "colour legend worth");
  add("Worth riding here", () => state.open("roads"), "best good roads stretches list rated view");
  add("Round trip from here", () => rides.askRound(middleOrPlace()), "loop ride hours km propose suggest");
  if (t.points.length === 2) {
    add(
      "A better line, a little longer",
      () => rides.ask({ kind: "between", leg: 0 }),
      "propose minutes detour",
    );
  }
  add("Tour: stops, vias, files", () => state.show("tour"), "list order plan");
  add("Warnings", () => state.show("warnings"), "look check");
  add("Shelf: tours kept here", () => state.show("shelf"), "list open load rename delete bin duplicate");
  add("New tour", () => state.newTour(), "empty");
  add("Open a GPX, GeoJSON or KML file", actions.pickFile, "import load");
  if (state.palette.value !== "day") add("Day sheet", () => state.setPalette("day"), "light palette colours");
  if (state.palette.value !== "night") add("Night sheet", () => state.setPalette("night"), "dark palette");
  if (state.palette.value !== "system")
    add("Sheet as the system says", () => state.setPalette("system"), "palette");
  if (state.units.value === "metric") add("Miles and feet", () => state.setUnits("miles"), "units imperial");
  else add("Kilometres and metres", () => state.setUnits("metric"), "units metric");
  for (const r of state.regions.value) {
    if (!r.trouble && r.name !== state.region.value?.name) {
      add(`Region: ${r.name}`, () => state.chooseRegion(r.name), "country map change");
    }
  }
  add("Zoom in", () => actions.onMap.zoom?.(1), "closer", "+");
  add("Zoom out", () => actions.onMap.zoom?.(-1), "farther", "-");
  add("Go to the map", () => actions.onMap.focus?.(), "focus keyboard");
  add("Keys", () => state.show("keys"), "keyboard shortcuts help", "?");
  return list;
}

/** The commands whose words all begin with the words asked for. */
export function matching(query: string): Command[] {
  const asked = query.toLowerCase().split(/\s+/).filter(Boolean);
  return commands().filter((c) => {
    const has = `${c.label} ${c.also ?? ""}`.toLowerCase().split(/[^a-z0-9+?]+/);
    return asked.every((w) => has.some((h) => h.startsWith(w)));
  });
}
