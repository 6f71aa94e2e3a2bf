// The taste as a sheet of dials: what it costs, what makes a road good, what lies under the wheels,
// and what to leave alone. Turning one moves the line and shades the roads.

import type { ComponentChildren } from "preact";
import { useRef } from "preact/hooks";
import * as tastes from "../tour/taste";
import * as actions from "./actions";
import { Sheet } from "./Card";
import { Icon, IconButton } from "./icons";
import * as state from "./state";
import * as taste from "./taste";

export function TastePanel() {
  const now = taste.taste.value;
  if (!now) return null;
  const { surface } = now;
  return (
    <Sheet label="Taste" kind="Taste of this tour" title={<Choice />}>
      <p class="taste-price" role="status">
        {taste.price.value ?? (state.shown.value.points.length > 1 ? "" : tastes.summary(now) || now.text)}
      </p>
      <div class="taste-dials">
        <Dial
          label="Price"
          name="longer_min"
          text="for ten minutes of the best road I would ride longer, up to"
          most={tastes.MOST_LONGER_MIN}
          step={1}
          value={now.longer_min}
          said={`${Math.round(now.longer_min)}\u00a0min`}
          onTurn={(longer_min) => taste.turn({ longer_min })}
        />
        <fieldset class="taste-part">
          <legend>The best road has</legend>
          {tastes.VIRTUES.map(({ key, label, text }) => (
            <Dial
              key={key}
              label={label}
              name={key}
              text={text}
              most={1}
              step={0.05}
              value={now[key]}
              said={tastes.weightWords(now[key])}
              onTurn={(share) => taste.turn({ [key]: share })}
            />
          ))}
          <Dial
            label="Dirt"
            name="seek_unpaved"
            text="unpaved, for its own sake"
            most={1}
            step={0.05}
            value={surface.seek_unpaved}
            said={tastes.weightWords(surface.seek_unpaved)}
            onTurn={(seek_unpaved) => taste.turn({ surface: { ...surface, seek_unpaved } })}
          />
        </fieldset>
        <fieldset class="taste-part taste-row">
          <legend>Ground I accept</legend>
          <select
            name="accept"
            aria-label="Ground I accept"
            value={surface.accept}
            onChange={(e) =>
              taste.turn({
                surface: { ...surface, accept: e.currentTarget.value as typeof surface.accept },
              })
            }
          >
            {tastes.GROUNDS.map(({ value, label }) => (
              <option key={value} value={value}>
                {label}
              </option>
            ))}
          </select>
        </fieldset>
        {tastes.WAYS.map(({ key, label }) => (
          <Says
            key={key}
            legend={label}
            name={key}
            value={now[key]}
            onSay={(say) => taste.turn({ [key]: say })}
          />
        ))}
        <label class="taste-check">
          <input
            type="checkbox"
            name="unverified"
            checked={now.unverified === "ride"}
            onChange={(e) => taste.turn({ unverified: e.currentTarget.checked ? "ride" : "ends" })}
          />
          <span>Ride tracks whose access nobody verified; check each before you go</span>
        </label>
      </div>
      <Keeping />
    </Sheet>
  );
}

/** Which taste to start from. */
function Choice() {
  const now = taste.taste.value;
  const known = taste.known.value;
  return (
    <select
      class="card-name taste-choice"
      aria-label="Taste"
      value={known?.name ?? ""}
      onChange={(e) => {
        const next = taste.all().find((t) => t.name === e.currentTarget.value);
        if (next) taste.choose(next);
      }}
    >
      {!known && (
        <option value="">{now && now.name !== tastes.OWN ? now.name : "own taste, not kept"}</option>
      )}
      <optgroup label="built in">
        {state.tastes.value.map((t) => (
          <option key={t.name} value={t.name} title={t.text}>
            {t.name}
          </option>
        ))}
      </optgroup>
      {taste.kept.value.length > 0 && (
        <optgroup label="kept by you">
          {taste.kept.value.map((t) => (
            <option key={t.name} value={t.name}>
              {t.name}
            </option>
          ))}
        </optgroup>
      )}
    </select>
  );
}

function Dial(props: {
  label: string;
  name: string;
  text: string;
  most: number;
  step: number;
  value: number;
  said: string;
  onTurn(value: number): void;
}) {
  const { label, name, text, most, step, value, said } = props;
  const id = `dial-${name}`;
  return (
    <div class="dial">
      <label for={id}>
        <b>{label}</b> <span class="dial-text">{text}</span>
      </label>
      <output for={id} class="figure">
        {said}
      </output>
      <input
        id={id}
        name={name}
        type="range"
        min="0"
        max={most}
        step={step}
        value={value}
        aria-valuetext={said}
        onInput={(e) => props.onTurn(rounded(e.currentTarget.valueAsNumber))}
      />
    </div>
  );
}

const rounded = (value: number) => Math.round(value * 100) / 100;

function Says(props: { legend: string; name: string; value: string; onSay(say: tastes.Say): void }) {
  return (
    <fieldset class="taste-part taste-row">
      <legend>{props.legend}</legend>
      <span class="says">
        {tastes.SAYS.map((say) => (
          <label key={say}>
            <input
              type="radio"
              name={`taste-${props.name}`}
              value={say}
              checked={props.value === say}
              onChange={() => props.onSay(say)}
            />
            <span>{say}</span>
          </label>
        ))}
      </span>
    </fieldset>
  );
}

/** Keeping the taste under a name, and its file. */
function Keeping() {
  const known = taste.known.value;
  const isKept = known !== undefined && taste.kept.value.includes(known);
  const field = useRef<HTMLInputElement>(null);
  return (
    <>
      {!known && (
        <form
          class="taste-keep"
          onSubmit={(e) => {
            e.preventDefault();
            taste.keep(field.current?.value ?? "");
          }}
        >
          <input
            ref={field}
            type="text"
            maxLength={60}
            aria-label="Name of this taste"
            placeholder="Name it, to keep it"
          />
          <span class="deeds">
            <button type="submit">Keep</button>
          </span>
        </form>
      )}
      <div class="deeds quiet">
        <button
          type="button"
          onClick={() => void taste.takeFile()}
          title="The taste as a small file to share"
        >
          <Icon name="take" />
          TOML
        </button>
        <button type="button" onClick={actions.pickTaste} title="Or drop the file on the page">
          <Icon name="file" />
          Open a taste
        </button>
        {isKept && known && (
          <IconButton
            name="bin"
            label={`Keep "${known.name}" no longer`}
            onClick={() => taste.forget(known.name)}
          />
        )}
      </div>
    </>
  );
}

/** One line on what a taste costs, wherever the tour's figures are. */
export function TastePrice(): ComponentChildren {
  const words = taste.price.value;
  return words ? <p class="taste-price">{words}</p> : null;
}
