// The lists that can stand in the card's place: the shelf, the warnings, the keys.

import { useSignal } from "@preact/signals";
import * as api from "../api";
import * as format from "../format";
import { Rides } from "../shelf/Rides";
import type { TourEntry } from "../types/TourEntry";
import * as actions from "./actions";
import { Sheet } from "./Card";
import { Icon, IconButton } from "./icons";
import { sheet } from "./MapView";
import * as state from "./state";

export function Shelf() {
  const bin = useSignal(false);
  const kept = state.entries.value.filter((e) => !e.deleted);
  const binned = state.entries.value.filter((e) => e.deleted);
  return (
    <Sheet label="Shelf" kind="Tours kept on this machine" title={<h2>Shelf</h2>}>
      <div class="deeds">
        <button type="button" onClick={() => state.newTour()}>
          <Icon name="plus" />
          New tour
        </button>
        <button type="button" onClick={actions.pickFile}>
          <Icon name="file" />
          Open a file
        </button>
      </div>
      {kept.length === 0 && (
        <p class="hint">The shelf is empty. Every tour you begin is kept here by itself.</p>
      )}
      <ul class="entries">
        {kept.map((entry) => (
          <Entry key={entry.id} entry={entry} />
        ))}
      </ul>
      {binned.length > 0 && (
        <>
          <button
            type="button"
            class="link"
            aria-expanded={bin.value}
            onClick={() => (bin.value = !bin.value)}
          >
            Bin ({binned.length})
          </button>
          {bin.value && (
            <ul class="entries">
              {binned.map((entry) => (
                <li key={entry.id} class="entry">
                  <span class="entry-name">
                    {titleOf(entry)}
                    <EntryFacts entry={entry} />
                  </span>
                  <button type="button" onClick={() => void state.bringBack(entry)}>
                    Bring back
                  </button>
                </li>
              ))}
            </ul>
          )}
        </>
      )}
      <Rides map={theMap} />
    </Sheet>
  );
}

const theMap = () => sheet?.map;
const titleOf = (entry: TourEntry) => entry.name || "Tour without a name";

function EntryFacts({ entry }: { entry: TourEntry }) {
  const facts = [
    entry.region,
    entry.days > 1 ? `${entry.days} days` : "",
    entry.length_m ? format.length(entry.length_m, state.units.value) : "",
    when(entry.changed),
  ];
  return <span class="entry-facts">{facts.filter(Boolean).join(" · ")}</span>;
}

function when(rfc3339: string): string {
  const date = new Date(rfc3339);
  if (Number.isNaN(date.getTime())) return "";
  return date.toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
}

function Entry({ entry }: { entry: TourEntry }) {
  const naming = useSignal(false);
  const open = entry.id === state.currentId();
  const rename = async (name: string) => {
    naming.value = false;
    if (name.trim() === entry.name) return;
    try {
      if (open) state.edit({ ...state.tour.value, name: name.trim() }, "Named");
      else {
        const kept = await api.getTour(entry.id);
        const renamed = { ...kept.tour, name: name.trim() };
        await api.saveTour({ id: kept.id, revision: kept.revision }, renamed, entry.length_m ?? undefined);
      }
      setTimeout(() => void state.refreshShelf(), open ? 400 : 0);
    } catch (error) {
      state.trouble(error);
    }
  };
  return (
    <li class={`entry ${open ? "open" : ""}`}>
      {naming.value ? (
        <input
          class="card-name"
          type="text"
          aria-label={`New name of ${titleOf(entry)}`}
          value={entry.name}
          ref={(el) => el?.focus()}
          onKeyDown={(e) => {
            if (e.key === "Enter") void rename(e.currentTarget.value);
            if (e.key === "Escape") naming.value = false;
            if (e.key === "Enter" || e.key === "Escape") e.stopPropagation();
          }}
          onBlur={(e) => naming.value && void rename(e.currentTarget.value)}
        />
      ) : (
        <button
          type="button"
          class="entry-name"
          aria-current={open ? "true" : undefined}
          onClick={() => void state.openTour(entry.id)}
        >
          {titleOf(entry)}
          <EntryFacts entry={entry} />
        </button>
      )}
      <span class="entry-deeds">
        <button
          type="button"
          class="link"
          onClick={() => (naming.value = true)}
          aria-label={`Rename ${titleOf(entry)}`}
        >
          Rename
        </button>
        <IconButton
          name="copy"
          label={`Duplicate ${titleOf(entry)}`}
          onClick={() => void state.duplicate(entry)}
        />
        <IconButton name="bin" label={`Delete ${titleOf(entry)}`} onClick={() => void state.discard(entry)} />
      </span>
    </li>
  );
}

export function Warnings() {
  const list = state.warnings.value;
  return (
    <Sheet label="Warnings" kind="What to look at" title={<h2>Warnings</h2>}>
      {state.planTrouble.value && <p class="trouble">{state.planTrouble.value}</p>}
      {list.length === 0 && !state.planTrouble.value && (
        <p class="hint">Nothing to warn of. Signs and local law still come first.</p>
      )}
      <ol class="entries">
        {list.map((w, i) => (
          <li key={`${w.kind} ${i}`} class="entry">
            <button type="button" class="entry-name" onClick={() => actions.chooseWarning(i)}>
              <span>{w.text}</span>
              {w.km !== null && (
                <span class="entry-facts figure">at {format.mark(w.km * 1000, state.units.value)}</span>
              )}
            </button>
            {w.repair && (
              <button type="button" title={w.repair.text} onClick={() => actions.repair(w)}>
                <Icon name="mend" />
                Mend
              </button>
            )}
          </li>
        ))}
      </ol>
    </Sheet>
  );
}

const KEYS: [string, string][] = [
  ["/", "find a place, a road or a command"],
  ["Tab", "on to the next stop, via or button"],
  ["Arrow keys", "move the map; nudge the chosen point (with Shift, finely); walk along the ribbon"],
  ["Enter", "on the map: ask about the middle"],
  ["+ and -", "on the map: closer and farther"],
  ["0", "show the whole tour"],
  ["Delete", "delete the chosen stop, via or drawn point"],
  ["Esc", "let go of what is dragged, close the card"],
  ["Ctrl+Z", "undo, without end"],
  ["Ctrl+Shift+Z", "redo"],
  ["?", "these keys"],
];

export function Keys() {
  return (
    <Sheet label="Keys" kind="Everything works without a mouse" title={<h2>Keys</h2>}>
      <dl class="keys">
        {KEYS.map(([key, what]) => (
          <div key={key}>
            <dt>
              <kbd>{key}</kbd>
            </dt>
            <dd>{what}</dd>
          </div>
        ))}
      </dl>
      <p class="hint">
        On the map: press on the line and drag it; drag stops and vias; click anywhere to ask what is there.
      </p>
    </Sheet>
  );
}
