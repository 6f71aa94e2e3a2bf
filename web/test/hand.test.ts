// The plan client over its connection, with a server played by hand.

import { afterEach, beforeEach, expect, test, vi } from "vitest";
import { PlanClient, type Planned, type Wire } from "../src/plan/client";
import { append, emptyTour, newPoint, rename } from "../src/tour/edits";
import type { HandQuestion } from "../src/types/HandQuestion";
import type { Plan } from "../src/types/Plan";
import type { Tour } from "../src/types/Tour";

beforeEach(() => void vi.useFakeTimers());
afterEach(() => void vi.useRealTimers());

const settle = async () => {
  for (let i = 0; i < 20; i++) await Promise.resolve();
};
const named = (name: string) => rename(append(emptyTour("here"), newPoint("stop", [1, 2])), name);
const line = { lat: [0, 1], lon: [0, 1], height_m: [1, 2], distance_m: [0, 9], elapsed_s: [0, 1], runs: [] };
const planOf = (key: string, withLine = true) =>
  ({ legs: [{ key, kind: "road", sums: {}, ...(withLine ? { line } : {}) }] }) as unknown as Plan;

class FakeWire implements Wire {
  onopen: Wire["onopen"] = null;
  onmessage: Wire["onmessage"] = null;
  onclose: Wire["onclose"] = null;
  sent: HandQuestion[] = [];
  send(text: string) {
    this.sent.push(JSON.parse(text) as HandQuestion);
  }
  close() {
    this.onclose?.({} as CloseEvent);
  }
  open() {
    this.onopen?.({} as Event);
  }
  answer(value: unknown) {
    this.onmessage?.({ data: JSON.stringify(value) } as MessageEvent);
  }
  names() {
    return this.sent.map((q) => q.tour.name);
  }
}

function desk() {
  const wires: FakeWire[] = [];
  const posts: { tour: Tour; signal: AbortSignal; answer(p: Plan): void; fail(e: unknown): void }[] = [];
  const got: Planned[] = [];
  const failed: unknown[] = [];
  const busy: boolean[] = [];
  const client = new PlanClient({
    connect: () => {
      const wire = new FakeWire();
      wires.push(wire);
      return wire;
    },
    post: (body, signal) =>
      new Promise((answer, fail) => {
        signal.addEventListener("abort", () => fail(new DOMException("aborted", "AbortError")));
        posts.push({ tour: body.tour, signal, answer, fail });
      }),
    planned: (p) => got.push(p),
    failed: (e) => failed.push(e),
    busy: (b) => busy.push(b),
  });
  const wire = (i = 0) => wires[i] as FakeWire;
  const shown = () => got.map((g) => g.tour.name);
  return { client, wires, wire, posts, got, shown, failed, busy };
}

/** A client whose connection stands. */
async function connected() {
  const all = desk();
  all.client.request(named("first"));
  all.wire().open();
  all.posts[0]?.answer(planOf("k0"));
  await settle();
  all.got.length = 0;
  return all;
}

test("questions go alone until the connection stands, then over it", async () => {
  const { client, wires, wire, posts, shown } = desk();
  client.request(named("a"), true);
  expect(posts.length).toBe(1);
  wire().open();
  client.request(named("b"), true);
  expect(posts[0]?.signal.aborted).toBe(true);
  expect(wire().names()).toEqual(["b"]);
  wire().answer({ seq: 1, plan: planOf("kb") });
  await settle();
  expect(shown()).toEqual(["b"]);
  expect(wires.length).toBe(1);
});

test("in a drag two questions are on their way and only the newest is held", async () => {
  const { client, wire, shown, busy } = await connected();
  for (const n of ["a", "b", "c", "d", "e"]) client.request(named(n), true);
  expect(wire().names()).toEqual(["a", "b"]);
  // "a" was called off for "b".
  wire().answer({ seq: 2, plan: planOf("kb") });
  expect(wire().names()).toEqual(["a", "b", "e"]);
  wire().answer({ seq: 3, plan: planOf("ke") });
  expect(shown()).toEqual(["b", "e"]);
  expect(busy.at(-1)).toBe(false);
});

test("an answer that comes late, twice or to nobody changes nothing", async () => {
  const { client, wire, shown, failed } = await connected();
  client.request(named("a"), true);
  client.request(named("b"), true);
  wire().answer({ seq: 2, plan: planOf("kb") });
  wire().answer({ seq: 1, plan: planOf("ka") });
  wire().answer({ seq: 2, plan: planOf("kb") });
  wire().answer({ seq: 77, plan: planOf("kx") });
  wire().answer({ seq: null, error: "what?", hint: "" });
  expect(shown()).toEqual(["b"]);
  expect(failed).toEqual([]);
});

test("another tour is opened: what was asked before is never shown", async () => {
  const { client, wire, shown } = await connected();
  client.request(named("a"), true);
  client.cancel();
  client.request(named("other"));
  wire().answer({ seq: 1, plan: planOf("ka") });
  wire().answer({ seq: 2, plan: planOf("ko") });
  expect(shown()).toEqual(["other"]);
});

test("lines that are here are named, and asked for again if they were dropped", async () => {
  const { client, wire, got, failed } = await connected();
  client.request(named("a"), true);
  expect(wire().sent[0]?.have).toEqual(["k0"]);
  wire().answer({ seq: 1, plan: planOf("k0", false) });
  expect(got[0]?.lines[0]).toEqual(line);
  client.request(named("b"));
  wire().answer({ seq: 2, plan: planOf("k9", false) });
  expect(wire().sent[2]?.have).toEqual([]);
  wire().answer({ seq: 3, plan: planOf("k9", false) });
  expect(got.length).toBe(1);
  expect(failed.length).toBe(1);
});

test("a refusal of a place passed by is not told, one of the last place is", async () => {
  const { client, wire, failed } = await connected();
  client.request(named("a"), true);
  client.request(named("b"), true);
  wire().answer({ seq: 1, error: "no", hint: "do this" });
  expect(failed).toEqual([]);
  wire().answer({ seq: 2, error: "no", hint: "do this" });
  expect(failed.map(String)).toEqual(["Error: no: do this"]);
});

test("a lost connection: the newest question goes alone, then it is opened again", async () => {
  const { client, wires, wire, posts, shown } = await connected();
  for (const n of ["a", "b", "c"]) client.request(named(n), true);
  wire().close();
  expect(posts.map((p) => p.tour.name)).toEqual(["first", "c"]);
  posts[1]?.answer(planOf("kc"));
  await settle();
  expect(shown()).toEqual(["c"]);
  client.request(named("d"), true);
  expect(wires.length).toBe(1);
  posts[2]?.answer(planOf("kd"));
  await settle();
  vi.advanceTimersByTime(300);
  client.request(named("e"), true);
  expect(wires.length).toBe(2);
  wire(1).open();
  client.request(named("f"), true);
  expect(wire(1).names()).toEqual(["f"]);
  wire(1).answer({ seq: 3, plan: planOf("kf") });
  expect(shown().at(-1)).toBe("f");
});

test("a server that refuses connections is not pestered", () => {
  const { client, wires, wire } = desk();
  for (let i = 0; i < 100; i++) {
    client.request(named(`${i}`));
    const last = wire(wires.length - 1);
    if (last.onclose) last.close();
    last.onclose = null;
    vi.advanceTimersByTime(100);
  }
  expect(wires.length).toBeLessThan(8);
});
