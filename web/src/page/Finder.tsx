// One field for places, roads, coordinates and commands, after the combobox pattern of the ARIA
// Authoring Practices: the field keeps the focus, the list is walked with the arrow keys.

import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { find, Silence } from "../api";
import * as format from "../format";
import type { FoundPlace } from "../types/FoundPlace";
import * as actions from "./actions";
import { type Command, matching } from "./commands";
import { Icon } from "./icons";
import * as roads from "./roads";
import * as state from "./state";

type Option = { kind: "place"; place: FoundPlace } | { kind: "command"; command: Command };

const WAIT_MS = 90;
const MOST_PLACES = 8;

export function Finder() {
  const query = useSignal("");
  const open = useSignal(false);
  const active = useSignal(-1);
  const places = useSignal<FoundPlace[]>([]);
  const looking = useSignal(false);
  const field = useRef<HTMLInputElement>(null);

  useEffect(() => {
    const q = query.value.trim();
    const region = state.region.value?.name;
    if (!q || !region) {
      places.value = [];
      return;
    }
    const flight = new AbortController();
    looking.value = true;
    const timer = setTimeout(async () => {
      const [lat, lon] = actions.onMap.middle?.() ?? [0, 0];
      try {
        places.value = await find(region, q, { lat, lon }, MOST_PLACES, flight.signal);
        looking.value = false;
        active.value = options().length ? 0 : -1;
      } catch (error) {
        if (flight.signal.aborted) return;
        looking.value = false;
        places.value = [];
        if (error instanceof Silence) state.offline.value = true;
        else state.trouble(error);
      }
    }, WAIT_MS);
    return () => {
      clearTimeout(timer);
      flight.abort();
    };
  }, [query.value, state.region.value?.name]);

  const options = (): Option[] => {
    const q = query.value.trim();
    const found = matching(q).slice(0, q ? 6 : 9);
    const commandOptions = found.map((command): Option => ({ kind: "command", command }));
    const placeOptions = places.value.map((place): Option => ({ kind: "place", place }));
    return q ? [...placeOptions, ...commandOptions] : commandOptions;
  };
  const list = open.value ? options() : [];
  const placeCount = list.filter((o) => o.kind === "place").length;

  const close = () => {
    open.value = false;
    active.value = -1;
  };
  const take = (option: Option | undefined) => {
    if (!option) return;
    query.value = "";
    close();
    if (option.kind === "command") {
      const before = [state.panel.value, state.selection.value];
      option.command.run();
      // The keyboard goes on in what the command opened.
      if (before[0] !== state.panel.value || before[1] !== state.selection.value) {
        requestAnimationFrame(() => document.activeElement === field.current && firstField()?.focus());
      }
      return;
    }
    const { place } = option;
    if (place.stretch !== null && place.stretch !== undefined) void roads.show(place.stretch);
    else {
      state.select({ kind: "place", at: [place.lat, place.lon], found: place });
      actions.goTo([place.lat, place.lon], 12.5);
    }
    // The card's first button is the most likely next step.
    requestAnimationFrame(() => document.querySelector<HTMLElement>(".card .deeds button")?.focus());
  };
  const key = (e: KeyboardEvent) => {
    const last = list.length - 1;
    if (e.key === "ArrowDown" || e.key === "ArrowUp") {
      e.preventDefault();
      if (!open.value) open.value = true;
      else if (e.key === "ArrowDown") active.value = active.value >= last ? 0 : active.value + 1;
      else active.value = active.value <= 0 ? last : active.value - 1;
    } else if (e.key === "Enter") {
      e.preventDefault();
      take(list[active.value] ?? list[0]);
    } else if (e.key === "/" && query.value === "") {
      // The key that leads here, pressed here once more.
      e.preventDefault();
    } else if (e.key === "Escape") {
      if (open.value || query.value) {
        e.stopPropagation();
        query.value = "";
        close();
      } else field.current?.blur();
    }
  };
  useEffect(() => {
    document.getElementById(`found-${active.value}`)?.scrollIntoView({ block: "nearest" });
  }, [active.value]);

  return (
    <search class="finder">
      <label class="finder-field">
        <Icon name="find" />
        <input
          id="finder"
          ref={field}
          type="text"
          role="combobox"
          aria-label="Find a place, a road, coordinates or a command"
          aria-expanded={open.value && list.length > 0}
          aria-controls="found"
          aria-autocomplete="list"
          aria-activedescendant={open.value && active.value >= 0 ? `found-${active.value}` : undefined}
          autocomplete="off"
          spellcheck={false}
          placeholder="find a place, a road, a command …"
          value={query.value}
          onInput={(e) => {
            query.value = e.currentTarget.value;
            open.value = true;
            active.value = query.value.trim() ? 0 : -1;
          }}
          onFocus={() => (open.value = true)}
          onClick={() => (open.value = true)}
          onBlur={close}
          onKeyDown={key}
        />
        <kbd>/</kbd>
      </label>
      {/* biome-ignore lint/a11y/noStaticElementInteractions: only keeps the focus where it is */}
      <div
        class="found"
        hidden={!open.value || (list.length === 0 && !query.value.trim())}
        // A press on the list must not take the focus from the field before the click arrives.
        onMouseDown={(e) => e.preventDefault()}
      >
        <div id="found" role="listbox" aria-label="Found" hidden={list.length === 0}>
          {list.map((option, i) => (
            <div key={keyOf(option)} role="presentation">
              {i === placeCount && placeCount > 0 && <div class="found-rule" role="presentation" />}
              <div
                id={`found-${i}`}
                role="option"
                tabIndex={-1}
                aria-selected={i === active.value}
                class={`found-row ${option.kind}`}
                onClick={() => take(option)}
                onMouseMove={() => (active.value = i)}
                onKeyDown={() => {}}
              >
                {option.kind === "place" ? (
                  <Place place={option.place} />
                ) : (
                  <CommandRow command={option.command} />
                )}
              </div>
            </div>
          ))}
        </div>
        {list.length === 0 && query.value.trim() && (
          <p class="found-none">{looking.value ? "Looking …" : "Nothing of that name in this region."}</p>
        )}
      </div>
    </search>
  );
}

const firstField = () =>
  [...document.querySelectorAll<HTMLElement>(".card :is(input, select, button):not(:disabled)")].find(
    (e) => !e.matches(".card-close"),
  );

const keyOf = (o: Option) =>
  o.kind === "command" ? o.command.label : `${o.place.kind} ${o.place.name} ${o.place.lat} ${o.place.lon}`;

function Place({ place }: { place: FoundPlace }) {
  const units = state.units.value;
  const facts = place.detail || format.words(place.kind);
  return (
    <>
      <span class="found-name">{place.name || format.coordinate(place.lat, place.lon)}</span>
      <span class="found-fact">
        {facts}
        {place.height_m !== null && place.height_m !== undefined
          ? ` · ${format.height(place.height_m, units)}`
          : ""}
      </span>
    </>
  );
}

function CommandRow({ command }: { command: Command }) {
  return (
    <>
      <span class="found-name">{command.label}</span>
      {command.key && <kbd>{command.key}</kbd>}
    </>
  );
}
