// Recordings on the shelf: brought in, found by words and by what they pass through, shown on the map,
// opened as a copy to plan from.

import { signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import * as format from "../format";
import { Icon } from "../page/icons";
import * as state from "../page/state";
import type { CardInfo } from "../types/CardInfo";
import type { ImportInfo } from "../types/ImportInfo";
import type { ShelfAnswer } from "../types/ShelfAnswer";
import * as calls from "./calls";
import { clear, draw, hide, type MapOf, trace } from "./drawn";

const words = signal("");
const inView = signal(false);
const onMap = signal(false);
const answer = signal<ShelfAnswer | undefined>(undefined);
const trouble = signal("");
const running = signal<ImportInfo[]>([]);
const sent = signal("");

let asked: AbortController | undefined;

/** The question as the server reads it. */
function question(map: MapOf): string {
  const parts = ["kind:recording", words.value];
  const bounds = inView.value ? map()?.getBounds() : undefined;
  if (bounds) {
    const [w, s, e, n] = [bounds.getWest(), bounds.getSouth(), bounds.getEast(), bounds.getNorth()];
    parts.push(`in:${[w, s, e, n].map((v) => v.toFixed(5)).join(",")}`);
  }
  return parts.join(" ").trim();
}

async function ask(map: MapOf): Promise<void> {
  asked?.abort();
  asked = new AbortController();
  const q = question(map);
  try {
    answer.value = await calls.search(q, 50, asked.signal);
    trouble.value = "";
    if (onMap.value) draw(map, calls.tiles(q, answer.value.pulse));
    else hide(map);
  } catch (error) {
    if (!(error instanceof DOMException)) trouble.value = (error as Error).message;
  }
}

/** Looks after imports until none is running. */
async function watch(map: MapOf): Promise<void> {
  for (;;) {
    try {
      running.value = await calls.imports();
    } catch {
      return;
    }
    const busy = running.value.some((i) => i.state === "waiting" || i.state === "running");
    void ask(map);
    if (!busy) return;
    await new Promise((done) => setTimeout(done, 700));
  }
}

async function bringIn(files: File[], map: MapOf): Promise<void> {
  let n = 0;
  for (const file of files) {
    n += 1;
    sent.value = files.length > 1 ? `sending ${n} of ${files.length}` : "sending";
    try {
      await calls.send(file);
    } catch (error) {
      state.trouble(error);
    }
  }
  sent.value = "";
  await watch(map);
}

/** Asks the rider for files. */
function pick(map: MapOf): void {
  const input = document.createElement("input");
  input.type = "file";
  input.multiple = true;
  input.accept = ".gpx,.zip,.kml,.geojson";
  input.onchange = () => void bringIn([...(input.files ?? [])], map);
  input.click();
}

export function Rides({ map }: { map: MapOf }) {
  useEffect(() => {
    void watch(map);
    const moved = () => inView.value && void ask(map);
    map()?.on("moveend", moved);
    return () => {
      asked?.abort();
      map()?.off("moveend", moved);
      clear(map);
    };
  }, [map]);
  const found = answer.value;
  return (
    <section aria-label="Recordings">
      <h3>Recordings</h3>
      <div class="deeds">
        <button type="button" onClick={() => pick(map)}>
          <Icon name="file" />
          Bring in recordings (GPX, zip)
        </button>
      </div>
      <p role="status" class="hint">
        {sent.value}
      </p>
      {running.value.slice(0, 3).map((i) => (
        <Import key={i.number} info={i} />
      ))}
      <input
        type="search"
        aria-label="Find recordings"
        placeholder="words, date:2024, length:100..200km"
        value={words.value}
        onInput={(e) => {
          words.value = e.currentTarget.value;
          void ask(map);
        }}
      />
      <label>
        <input
          type="checkbox"
          checked={inView.value}
          onChange={(e) => {
            inView.value = e.currentTarget.checked;
            void ask(map);
          }}
        />{" "}
        passing through what I see
      </label>
      <label>
        <input
          type="checkbox"
          checked={onMap.value}
          onChange={(e) => {
            onMap.value = e.currentTarget.checked;
            void ask(map);
          }}
        />{" "}
        show them on the map
      </label>
      {trouble.value && <p class="hint">{trouble.value}</p>}
      {found && <p class="hint">{found.total === 1 ? "1 recording" : `${found.total} recordings`}</p>}
      <ul class="entries">
        {found?.cards.map((card) => (
          <Ride key={card.key} card={card} map={map} />
        ))}
      </ul>
    </section>
  );
}

function Import({ info }: { info: ImportInfo }) {
  const there = info.same_file + info.same_ride;
  const words = [
    `${info.name}: ${info.state === "running" ? `${info.done} of ${info.files}` : info.state}`,
    info.recordings > 0 ? `${info.recordings} new` : "",
    there > 0 ? `${there} there already` : "",
    info.broken > 0 ? `${info.broken} not kept` : "",
  ];
  return (
    <details class="hint">
      <summary>{words.filter(Boolean).join(", ")}</summary>
      {info.trouble && <p>{info.trouble}</p>}
      <ul>
        {info.troubles.slice(0, 50).map((t) => (
          <li key={t.file}>
            {t.file}: {t.reason}
          </li>
        ))}
      </ul>
    </details>
  );
}

function Ride({ card, map }: { card: CardInfo; map: MapOf }) {
  const units = state.units.value;
  const facts = [
    card.date ?? "",
    card.length_m ? format.length(card.length_m, units) : "",
    card.riding_s ? format.span(card.riding_s) : "",
    card.pass,
  ];
  const show = async () => {
    try {
      const { line } = await calls.item(card.key);
      trace(map, line);
      if (card.bounds_deg) state.onMap.fit?.(card.bounds_deg);
    } catch (error) {
      state.trouble(error);
    }
  };
  const plan = async () => {
    try {
      const id = await calls.copy(card.key, state.region.value?.name ?? "");
      await state.refreshShelf();
      await state.openTour(id);
    } catch (error) {
      state.trouble(error);
    }
  };
  return (
    <li class="entry">
      <button type="button" class="entry-name" onClick={() => void show()}>
        {card.name || "Recording without a name"}
        <span class="entry-facts">{facts.filter(Boolean).join(" · ")}</span>
      </button>
      <span class="entry-deeds">
        <button
          type="button"
          class="link"
          aria-label={`Plan from ${card.name || "this recording"}`}
          onClick={() => void plan()}
        >
          Plan from it
        </button>
      </span>
    </li>
  );
}
