// The card of proposals: what is asked for, how far the search is, what it found.

import * as format from "../format";
import { costWords, rideWords } from "../tour/offer";
import { type Budget, HEADINGS } from "../tour/round";
import type { Proposal } from "../types/Proposal";
import type { Proposals } from "../types/Proposals";
import * as actions from "./actions";
import { Sheet } from "./Card";
import { Icon } from "./icons";
import * as rides from "./rides";
import * as state from "./state";

export function Rides() {
  const what = rides.asked.value;
  if (!what) return null;
  const search = rides.search.value;
  const legName = what.kind === "round" ? "" : `${actions.label(what.leg)} to ${actions.label(what.leg + 1)}`;
  const titles = { alternatives: "Other ways", between: "A better line", round: "Round trip" };
  return (
    <Sheet
      label={titles[what.kind]}
      kind={what.kind === "round" ? `From ${what.name || "here"}` : legName}
      title={<h2>{titles[what.kind]}</h2>}
    >
      {what.kind !== "alternatives" && (
        <form
          class="ask"
          onSubmit={(e) => {
            e.preventDefault();
            void rides.begin();
          }}
        >
          {what.kind === "between" ? <BetweenFields /> : <RoundFields />}
          <div class="deeds">
            <button
              type="submit"
              class={search?.found ? "" : "primary"}
              disabled={search?.progress !== undefined}
            >
              {search?.found ? "Look again" : "Look for rides"}
            </button>
          </div>
        </form>
      )}
      {search?.progress && <Looking share={search.progress.share} stage={search.progress.stage} />}
      {search?.trouble && <p class="trouble">{search.trouble}</p>}
      {search?.found && <Found found={search.found} />}
    </Sheet>
  );
}

function Looking({ share, stage }: { share: number; stage: string }) {
  return (
    <div class="looking">
      <progress max={1} value={share} aria-label="How far the search is" />
      <p class="hint">{stage || "Looking …"}</p>
      <div class="deeds">
        <button type="button" onClick={rides.stop}>
          Stop
        </button>
      </div>
    </div>
  );
}

function BetweenFields() {
  return (
    <div class="fields">
      <label>
        At most longer
        <span class="with-unit">
          <input
            type="number"
            name="longer"
            min="1"
            max="600"
            step="1"
            inputMode="numeric"
            required
            value={rides.longerMin.value}
            onInput={(e) => {
              const minutes = e.currentTarget.valueAsNumber;
              if (minutes > 0) rides.longerMin.value = minutes;
            }}
          />
          min
        </span>
      </label>
    </div>
  );
}

/** What stands in the field when another measure is chosen. */
const STARTS: Record<Budget["unit"], Budget> = {
  h: { unit: "h", amount: 3 },
  km: { unit: "km", amount: 150 },
  by: { unit: "by", clock: "17:00" },
};

function RoundFields() {
  const now = rides.budget.value;
  const miles = state.units.value === "miles";
  const perUnit = now.unit === "km" && miles ? 1.609344 : 1;
  const departs = state.tour.value.depart;
  return (
    <div class="fields">
      <label>
        How much
        <span class="with-unit">
          {now.unit === "by" ? (
            <input
              type="time"
              name="clock"
              required
              value={now.clock}
              onInput={(e) => {
                const clock = e.currentTarget.value;
                if (clock) rides.budget.value = { unit: "by", clock };
              }}
            />
          ) : (
            <input
              type="number"
              name="amount"
              min={now.unit === "h" ? "0.5" : "5"}
              max={now.unit === "h" ? "16" : "1200"}
              step="any"
              inputMode="decimal"
              required
              value={Math.round((now.amount / perUnit) * 10) / 10}
              onInput={(e) => {
                const value = e.currentTarget.valueAsNumber;
                if (value > 0) rides.budget.value = { unit: now.unit, amount: value * perUnit };
              }}
            />
          )}
          <select
            name="unit"
            aria-label="Hours, distance or time to be back"
            value={now.unit}
            onChange={(e) => (rides.budget.value = STARTS[e.currentTarget.value as Budget["unit"]])}
          >
            <option value="h">hours</option>
            <option value="km">{miles ? "miles" : "km"}</option>
            {departs && <option value="by">back by</option>}
          </select>
        </span>
      </label>
      <label>
        Towards
        <select
          name="heading"
          value={rides.heading.value ?? ""}
          onChange={(e) => {
            const deg = e.currentTarget.value;
            rides.heading.value = deg === "" ? undefined : Number(deg);
          }}
        >
          {HEADINGS.map(([name, deg]) => (
            <option key={name} value={deg ?? ""}>
              {name}
            </option>
          ))}
        </select>
      </label>
    </div>
  );
}

function Found({ found: { proposals, notes } }: { found: Proposals }) {
  const what = rides.asked.value;
  return (
    <>
      {proposals.length === 0 && notes.length === 0 && (
        <p class="hint">
          {what?.kind === "alternatives"
            ? "There is no other way worth offering here."
            : "Nothing fits. Give it more, or turn another way."}
        </p>
      )}
      {notes.map((note) => (
        <p key={note} class="hint">
          {note}
        </p>
      ))}
      {proposals.length > 0 && (
        <>
          <fieldset class="offers">
            <legend class="off-screen">Rides to choose from</legend>
            {proposals.map((proposal, i) => (
              <label key={`${i} ${proposal.sums.length_m}`} class="offer">
                <input
                  type="radio"
                  name="offer"
                  checked={rides.picked.value === i}
                  onChange={() => (rides.picked.value = i)}
                />
                <Offer proposal={proposal} />
              </label>
            ))}
          </fieldset>
          <div class="deeds">
            <button type="button" class="primary" onClick={rides.take}>
              <Icon name="tour" />
              Ride this one
            </button>
          </div>
        </>
      )}
    </>
  );
}

/** What a proposal costs and gives. */
function Offer({ proposal }: { proposal: Proposal }) {
  const units = state.units.value;
  const { sums, title, notes } = proposal;
  const cost = costWords(proposal, units);
  return (
    <span class="offer-words">
      <span>{title}</span>
      <span class="facts">
        <b>{format.span(sums.riding_s)}</b>
        <span>{format.length(sums.length_m, units)}</span>
        {cost && <span>{cost}</span>}
      </span>
      <span class="entry-facts">{rideWords(proposal, units)}</span>
      {notes.map((note) => (
        <span key={note} class="entry-facts">
          {note}
        </span>
      ))}
    </span>
  );
}
