import { expect, test } from "vitest";
import { PlanClient, type Planned } from "../src/plan/client";
import { append, emptyTour, newPoint, rename } from "../src/tour/edits";
import { Keeper, NewerThere, Refused, type Slot } from "../src/tour/keeper";
import type { Plan } from "../src/types/Plan";
import type { PlanRequest } from "../src/types/PlanRequest";
import type { Tour } from "../src/types/Tour";

const settle = async () => {
  for (let i = 0; i < 20; i++) await Promise.resolve();
};
const named = (name: string) => rename(append(emptyTour("here"), newPoint("stop", [1, 2])), name);

function planOf(tour: Tour, key: string, withLine: boolean): Plan {
  const line = {
    lat: [0, 1],
    lon: [0, 1],
    height_m: [1, 2],
    distance_m: [0, 9],
    elapsed_s: [0, 1],
    runs: [],
  };
  const leg = { key, kind: "road", sums: {}, ...(withLine ? { line } : {}) };
  return {
    legs: [leg],
    points: [],
    days: [],
    warnings: [],
    total: {},
    cautions: tour.name,
  } as unknown as Plan;
}

/** A server answered by hand. */
function desk() {
  const asked: {
    body: PlanRequest;
    signal: AbortSignal;
    answer(p: Plan): void;
    fail(e: unknown): void;
  }[] = [];
  const got: Planned[] = [];
  const failed: unknown[] = [];
  const client = new PlanClient({
    post: (body, signal) =>
      new Promise((answer, fail) => {
        signal.addEventListener("abort", () => fail(new DOMException("aborted", "AbortError")));
        asked.push({ body, signal, answer, fail });
      }),
    planned: (p) => got.push(p),
    failed: (e) => failed.push(e),
  });
  const ask = (i: number) => asked[i] as (typeof asked)[number];
  return { client, asked, ask, got, failed };
}

test("the newest tour wins: the older request is aborted and its answer is never shown", async () => {
  const { client, ask, got, failed } = desk();
  client.request(named("a"));
  client.request(named("b"));
  expect(ask(0).signal.aborted).toBe(true);
  ask(0).answer(planOf(named("a"), "ka", true));
  ask(1).answer(planOf(named("b"), "kb", true));
  await settle();
  expect(got.map((g) => g.tour.name)).toEqual(["b"]);
  expect(failed).toEqual([]);
});

test("during a drag one request flies and only the latest waits", async () => {
  const { client, asked, ask, got } = desk();
  for (const n of ["a", "b", "c", "d"]) client.request(named(n), true);
  expect(asked.length).toBe(1);
  ask(0).answer(planOf(named("a"), "ka", true));
  await settle();
  expect(asked.map((a) => a.body.tour.name)).toEqual(["a", "d"]);
  ask(1).answer(planOf(named("d"), "kd", true));
  await settle();
  expect(got.map((g) => g.tour.name)).toEqual(["a", "d"]);
  expect(asked.length).toBe(2);
});

test("dropping aborts what the drag still waits for", async () => {
  const { client, asked, ask, got } = desk();
  client.request(named("a"), true);
  client.request(named("b"), true);
  client.request(named("drop"));
  ask(1).answer(planOf(named("drop"), "k", true));
  await settle();
  expect(asked.length).toBe(2);
  expect(got.map((g) => g.tour.name)).toEqual(["drop"]);
});

test("lines that are here are named, not sent again", async () => {
  const { client, ask, got } = desk();
  client.request(named("a"));
  expect(ask(0).body.have).toEqual([]);
  ask(0).answer(planOf(named("a"), "k1", true));
  await settle();
  client.request(named("b"));
  expect(ask(1).body.have).toEqual(["k1"]);
  ask(1).answer(planOf(named("b"), "k1", false));
  await settle();
  expect(got[1]?.lines[0]).toBe(got[0]?.lines[0]);
});

test("a line that neither side has is asked for once more, then it is an error", async () => {
  const { client, asked, ask, got, failed } = desk();
  client.request(named("a"));
  ask(0).answer(planOf(named("a"), "k9", false));
  await settle();
  expect(asked[1]?.body.have).toEqual([]);
  ask(1).answer(planOf(named("a"), "k9", false));
  await settle();
  expect(got).toEqual([]);
  expect(failed.length).toBe(1);
});

test("a failed request does not block the next", async () => {
  const { client, ask, got, failed } = desk();
  client.request(named("a"), true);
  client.request(named("b"), true);
  ask(0).fail(new TypeError("network"));
  await settle();
  ask(1).answer(planOf(named("b"), "k", true));
  await settle();
  expect(failed.length).toBe(1);
  expect(got.map((g) => g.tour.name)).toEqual(["b"]);
});

/** A shelf answered by hand, and the states the keeper reports. */
function shelf(slot?: Slot) {
  const calls: { tour: Tour; slot: Slot | undefined; ok(revision: number): void; fail(e: Error): void }[] =
    [];
  const states: string[] = [];
  const store = new Map<string, Tour>();
  const timers: (() => void)[] = [];
  const call = (s: Slot | undefined, tour: Tour) =>
    new Promise<number>((ok, fail) => calls.push({ tour, slot: s, ok, fail }));
  const keeper = new Keeper(
    {
      create: async (tour) => ({ id: "new", revision: await call(undefined, tour) }),
      save: (s, tour) => call(s, tour),
      state: (s) => states.push(s),
      created: () => {},
      later: (again) => timers.push(again),
      backup: { write: (t) => store.set("x", t), clear: () => store.clear() },
    },
    slot,
  );
  const at = (i: number) => calls[i] as (typeof calls)[number];
  return { keeper, calls, at, states, store, timers };
}

test("saves follow each other with the revision of the last, the newest document wins", async () => {
  const { keeper, calls, at, states, store } = shelf();
  keeper.keep(named("a"));
  keeper.keep(named("b"));
  keeper.keep(named("c"));
  expect(calls.length).toBe(1);
  expect(store.size).toBe(1);
  at(0).ok(1);
  await settle();
  expect(calls.map((c) => c.tour.name)).toEqual(["a", "c"]);
  expect(at(1).slot).toEqual({ id: "new", revision: 1 });
  at(1).ok(2);
  await settle();
  expect(keeper.slot?.revision).toBe(2);
  expect(states.at(-1)).toBe("kept");
  expect(store.size).toBe(0);
});

test("without the server changes wait here and are sent when it is back", async () => {
  const { keeper, calls, at, states, store, timers } = shelf({ id: "t", revision: 4 });
  keeper.keep(named("a"));
  at(0).fail(new TypeError("network"));
  await settle();
  expect(states.at(-1)).toBe("waiting");
  expect(store.size).toBe(1);
  timers.shift()?.();
  expect(calls[1]?.tour.name).toBe("a");
  at(1).ok(5);
  await settle();
  expect(states.at(-1)).toBe("kept");
});

test("a newer one on the shelf stops saving until the rider has chosen", async () => {
  const { keeper, calls, at, states } = shelf({ id: "t", revision: 4 });
  const newer = { id: "t", revision: 9, deleted: false, tour: named("theirs") };
  keeper.keep(named("mine"));
  at(0).fail(new NewerThere(newer));
  await settle();
  expect(states.at(-1)).toBe("conflict");
  expect(keeper.conflict).toBe(newer);
  keeper.keep(named("mine 2"));
  expect(calls.length).toBe(1);
  keeper.keepMine();
  expect(at(1).slot).toEqual({ id: "t", revision: 9 });
  expect(at(1).tour.name).toBe("mine 2");
});

test("keeping both makes a tour of its own", async () => {
  const { keeper, at } = shelf({ id: "t", revision: 4 });
  keeper.keep(named("mine"));
  at(0).fail(new NewerThere({ id: "t", revision: 9, deleted: false, tour: named("theirs") }));
  await settle();
  keeper.keepBoth();
  expect(at(1).slot).toBeUndefined();
});

test("a refused document is not sent again by itself", async () => {
  const { keeper, at, states, timers, store } = shelf({ id: "t", revision: 4 });
  keeper.keep(named("a"));
  at(0).fail(new Refused("too many points"));
  await settle();
  expect(states.at(-1)).toBe("waiting");
  expect(timers).toEqual([]);
  expect(store.size).toBe(1);
});
