// The page: a map, and around it only what is needed.

import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import * as format from "../format";
import { legend } from "../map/legend";
import { BEND_CLASSES_DEG_PER_KM, WORTH_STEPS } from "../map/palette";
import { OWN } from "../tour/taste";
import * as actions from "./actions";
import { Card } from "./Card";
import { Finder } from "./Finder";
import { Icon, IconButton } from "./icons";
import { Keys, Shelf, Warnings } from "./Lists";
import { MapView } from "./MapView";
import { Ribbon } from "./Ribbon";
import { Rides } from "./Rides";
import { BestRoads } from "./Stretch";
import * as state from "./state";
import { TastePanel } from "./TastePanel";
import { TourPanel } from "./TourPanel";
import * as taste from "./taste";

export function Page() {
  if (!state.booted.value) return <Waiting />;
  if (!state.region.value) return <NoRegion />;
  const selected = state.selection.value.kind !== "none";
  const panel = state.panel.value;
  return (
    <>
      <main class="stage">
        <h1 class="off-screen">Lacet: {state.tour.value.name || "tour without a name"}</h1>
        <MapView />
        <div class="top">
          <Finder />
          <Bar />
        </div>
        <Notice />
        <FirstSteps />
        <div class="side">
          {selected ? (
            <Card />
          ) : panel === "shelf" ? (
            <Shelf />
          ) : panel === "warnings" ? (
            <Warnings />
          ) : panel === "keys" ? (
            <Keys />
          ) : panel === "taste" ? (
            <TastePanel />
          ) : panel === "roads" ? (
            <BestRoads />
          ) : panel === "rides" ? (
            <Rides />
          ) : panel === "tour" && (state.tour.value.points.length > 0 || state.askedForTour.value) ? (
            <TourPanel />
          ) : null}
        </div>
        <Legend />
        <Toast />
        <DropZone />
      </main>
      <Ribbon />
      <PaperWarnings />
      <Foot />
      <div class="off-screen" role="status" aria-live="polite">
        {state.voice.value}
      </div>
    </>
  );
}

function Waiting() {
  return (
    <main class="blank">
      <h1>Lacet</h1>
      <p role="status">
        {state.offline.value
          ? "Lacet does not answer on this machine. Start it with lacet serve; this page goes on by itself."
          : "Opening the map …"}
      </p>
    </main>
  );
}

function NoRegion() {
  const broken = state.regions.value.filter((r) => r.trouble);
  return (
    <main class="blank">
      <h1>No map yet</h1>
      {broken.map((r) => (
        <p key={r.name}>
          {r.name}: {r.trouble}
        </p>
      ))}
      <p>Lacet plans on regions that you import once from OpenStreetMap extracts:</p>
      <pre>lacet import NAME FILE.osm.pbf</pre>
      <p>
        Or look round an invented country with <code>lacet demo</code>. Then load this page again.
      </p>
      <button type="button" class="primary" onClick={() => location.reload()}>
        Load again
      </button>
    </main>
  );
}

function Bar() {
  const { undo, redo } = state.historyDepth.value;
  const count = state.warnings.value.length + (state.planTrouble.value ? 1 : 0);
  const chosen = state.selection.value.kind === "none" ? state.panel.value : undefined;
  return (
    <nav class="bar" aria-label="Tour, taste and shelf">
      <IconButton name="undo" label="Undo (Ctrl+Z)" disabled={!undo} onClick={state.undo} />
      <IconButton name="redo" label="Redo (Ctrl+Shift+Z)" disabled={!redo} onClick={state.redo} />
      <i class="bar-rule" />
      <button type="button" aria-expanded={chosen === "tour"} onClick={() => state.show("tour")}>
        <Icon name="tour" />
        <span>Tour</span>
      </button>
      <button type="button" aria-expanded={chosen === "taste"} onClick={() => state.show("taste")}>
        <Icon name="taste" />
        <span>Taste</span>
      </button>
      <button
        type="button"
        class={count > 0 ? "warning-count warns" : "warning-count"}
        aria-expanded={chosen === "warnings"}
        onClick={() => state.show("warnings")}
      >
        <Icon name="warn" />
        <span class="figure">{count}</span>
        <span class="bar-long">{count === 1 ? "warning" : "warnings"}</span>
      </button>
      <button type="button" aria-expanded={chosen === "shelf"} onClick={() => state.show("shelf")}>
        <Icon name="shelf" />
        <span>Shelf</span>
      </button>
    </nav>
  );
}

/** What stands in the way: the server is silent, the plan failed, somebody else saved. */
function Notice() {
  const newer = state.keepState.value === "conflict" ? state.conflict() : undefined;
  if (newer) {
    return (
      <div class="notice" role="alert">
        <p>This tour was changed elsewhere, perhaps in another window. Which one shall stay?</p>
        <div class="deeds">
          <button type="button" class="primary" onClick={state.keepMine}>
            The one here
          </button>
          <button type="button" onClick={state.takeTheirs}>
            The other one
          </button>
          <button type="button" onClick={state.keepBoth}>
            Both
          </button>
        </div>
      </div>
    );
  }
  if (state.offline.value) {
    return (
      <div class="notice" role="alert">
        <p>
          Lacet does not answer. Your changes are held in this browser and kept as soon as it is back; start
          it with <code>lacet serve</code>.
        </p>
      </div>
    );
  }
  const why = state.keepTrouble.value ?? state.planTrouble.value;
  return why ? (
    <div class="notice" role="alert">
      <p>{why}</p>
    </div>
  ) : null;
}

function FirstSteps() {
  const count = state.shown.value.points.length;
  if (count > 1 || state.selection.value.kind !== "none") return null;
  return (
    <div class="first">
      {count === 0 ? (
        <>
          <p>
            <b>Click the map to set the start,</b> or type a place above. Then say where to ride, and pull the
            line onto the roads you like.
          </p>
          <button type="button" class="link" onClick={actions.pickFile}>
            or open a GPX file
          </button>
          <RegionChoice />
        </>
      ) : (
        <p>
          <b>Now click where to ride,</b> or find the place above.
        </p>
      )}
    </div>
  );
}

/** Where there are several maps, which one to ride on comes before the first click. */
function RegionChoice() {
  const usable = state.regions.value.filter((r) => !r.trouble);
  if (usable.length < 2) return null;
  return (
    <label class="first-region">
      Region
      <select value={state.region.value?.name} onChange={(e) => state.chooseRegion(e.currentTarget.value)}>
        {usable.map((r) => (
          <option key={r.name} value={r.name}>
            {r.name}
          </option>
        ))}
      </select>
    </label>
  );
}

function Legend() {
  const open = useSignal(false);
  const name = state.dark.value ? "night" : "day";
  return (
    <div class="legend">
      <button
        type="button"
        class="legend-bar"
        aria-expanded={open.value}
        title={open.value ? "Close the legend" : "The whole legend"}
        onClick={() => (open.value = !open.value)}
      >
        {taste.shade.value === "worth" ? <WorthRamp /> : <BendRamp />}
      </button>
      {open.value && (
        <section class="legend-sheet" aria-label="Legend">
          <IconButton
            name="close"
            label="Close the legend"
            class="card-close"
            onClick={() => (open.value = false)}
          />
          <ShadeChoice />
          {legend(name, taste.shade.value).map((part) => (
            <div key={part.title}>
              <h2>{part.title}</h2>
              <ul>
                {part.entries.map((entry) => (
                  <li key={entry.text}>
                    {/* Drawn by the page itself from its own palette. */}
                    <img alt="" src={`data:image/svg+xml,${encodeURIComponent(entry.svg)}`} />
                    {entry.text}
                  </li>
                ))}
              </ul>
            </div>
          ))}
        </section>
      )}
    </div>
  );
}

function BendRamp() {
  const miles = state.units.value === "miles";
  const limit = (deg: number) => Math.round(miles ? deg * 1.609344 : deg);
  return (
    <>
      <span class="legend-title">bends, {miles ? "°/mi" : "°/km"}</span>
      <span class="legend-ramp">
        {BEND_CLASSES_DEG_PER_KM.map((deg, i) => (
          <span key={deg} class="legend-step">
            <i style={{ background: `var(--bend-${i})` }} />
            <span class="figure">{limit(deg)}</span>
          </span>
        ))}
      </span>
    </>
  );
}

function WorthRamp() {
  const now = taste.taste.value;
  return (
    <>
      <span class="legend-title">worth to {now && now.name !== OWN ? `"${now.name}"` : "your taste"}, %</span>
      <span class="legend-ramp legend-fine">
        {Array.from({ length: WORTH_STEPS }, (_, i) => (
          <span key={i} class="legend-step">
            <i style={{ background: `var(--worth-${i})` }} />
            <span class="figure">{i % 2 === 0 ? Math.round((100 * i) / (WORTH_STEPS - 1)) : ""}</span>
          </span>
        ))}
      </span>
    </>
  );
}

/** Taste or bends: what the roads are shaded by. */
function ShadeChoice() {
  const says = { worth: "what they are worth to the taste", bends: "how much they bend" } as const;
  return (
    <fieldset class="choice">
      <legend>Roads are shaded by</legend>
      {(["worth", "bends"] as const).map((by) => (
        <label key={by}>
          <input
            type="radio"
            name="shade"
            checked={taste.shade.value === by}
            onChange={() => taste.shadeBy(by)}
          />
          <span>{says[by]}</span>
        </label>
      ))}
    </fieldset>
  );
}

function Toast() {
  const toast = state.toast.value;
  if (!toast) return null;
  return (
    <div class="toast">
      <p>{toast.text}</p>
      {toast.action && (
        <button type="button" onClick={toast.action.run}>
          {toast.action.label}
        </button>
      )}
      <IconButton name="close" label="Dismiss" onClick={() => (state.toast.value = undefined)} />
    </div>
  );
}

/** Any file dropped on the page opens as a new tour. */
function DropZone() {
  const over = useSignal(false);
  useEffect(() => {
    let depth = 0;
    const files = (e: DragEvent) => e.dataTransfer?.types.includes("Files") === true;
    const enter = (e: DragEvent) => {
      if (!files(e)) return;
      depth++;
      over.value = true;
    };
    const leave = (e: DragEvent) => {
      if (!files(e)) return;
      depth--;
      if (depth <= 0) over.value = false;
    };
    const hover = (e: DragEvent) => {
      if (files(e)) e.preventDefault();
    };
    const drop = (e: DragEvent) => {
      if (!files(e)) return;
      e.preventDefault();
      depth = 0;
      over.value = false;
      const file = e.dataTransfer?.files[0];
      if (file) void actions.openFile(file);
    };
    const all: [string, (e: DragEvent) => void][] = [
      ["dragenter", enter],
      ["dragleave", leave],
      ["dragover", hover],
      ["drop", drop],
    ];
    for (const [type, listener] of all) window.addEventListener(type, listener as EventListener);
    return () => {
      for (const [type, listener] of all) window.removeEventListener(type, listener as EventListener);
    };
  }, []);
  return over.value ? (
    <div class="drop">Drop a GPX, GeoJSON or KML file: it opens as a new tour. Or a taste (TOML).</div>
  ) : null;
}

export const CAUTIONS =
  "Planning aid only. Signs, closures and local law come first; map data may be wrong or old. Check that " +
  "off-road tracks are open to motor vehicles. Ride within your ability, rest, and watch weather and light.";

/** On paper there is no list to open. */
function PaperWarnings() {
  const list = state.warnings.value;
  if (list.length === 0) return null;
  return (
    <section class="on-paper" aria-label="Warnings on paper">
      <h2>What to look at</h2>
      <ol>
        {list.map((w, i) => (
          <li key={`${w.kind} ${i}`}>
            {w.km === null ? "" : `${format.mark(w.km * 1000, state.units.value)}: `}
            {w.text}
          </li>
        ))}
      </ol>
    </section>
  );
}

function Foot() {
  const region = state.region.value;
  const credit = state.planned.value?.plan.attribution ?? region?.attribution;
  const kept = {
    kept: state.currentId() ? "kept" : "",
    keeping: "keeping …",
    waiting: "not kept yet",
    conflict: "changed elsewhere",
  }[state.keepState.value];
  return (
    <footer class="foot">
      <p class="cautions">{state.planned.value?.plan.cautions ?? CAUTIONS}</p>
      <p class="credit">
        {credit && <span>{credit}</span>}
        {region && (
          <span title="Region and date of its map data">
            {region.name}
            {region.data_date ? ` ${region.data_date.slice(0, 10)}` : ""}
          </span>
        )}
        {kept && <span class="keep">{kept}</span>}
      </p>
    </footer>
  );
}
