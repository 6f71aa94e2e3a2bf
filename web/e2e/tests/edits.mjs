// Changing a tour that is there: its stops, vias and legs.

import assert from "node:assert/strict";
import { distanceM, offLineM } from "../rider.mjs";

const kinds = (tour) => tour.points.map((p) => p.kind);
const names = (tour) => tour.points.map((p) => p.name ?? "");
const at = (p) => [p.lat, p.lon];

export const edits = [
  {
    name: "drag a stop, nudge it with the arrow keys",
    ride: true,
    run: async (rider, country) => {
      await rider.look(country.places);
      const [firstKey, secondKey] = await rider.keys();
      const from = await rider.middleOf(rider.handle(/^Stop 2/));
      const dropped = await rider.drag(from, [from[0] - 70, from[1] + 45], async () => {
        await rider.settled();
        assert.notEqual((await rider.plan()).legs[1].key, secondKey, "the line follows the stop");
      });
      const keys = await rider.keys();
      const moved = (await rider.tour()).points[2];
      // The handle is taken where the hand is, which may be a few pixels beside its middle.
      const aside = await rider.place([from[0] - 70 + 8, from[1] + 45]);
      assert.ok(
        distanceM(at(moved), dropped) < distanceM(dropped, aside),
        "the stop is where it was dropped",
      );
      assert.equal(keys[0], firstKey, "the leg before is left alone");
      assert.notEqual(keys[1], secondKey);
      await rider.handle(/^Stop 2/).focus();
      await rider.page.keyboard.press("ArrowRight");
      await rider.settled();
      const nudged = (await rider.tour()).points[2];
      assert.ok(nudged.lon > moved.lon, "the arrow to the right moves it east");
      await rider.page.keyboard.press("Control+z");
      await rider.settled();
      assert.deepEqual(at((await rider.tour()).points[2]), at(moved));
    },
  },
  {
    name: "Delete removes the chosen via",
    ride: true,
    run: async (rider, country) => {
      await rider.look(country.places);
      const keys = await rider.keys();
      await rider.handle(/^Via/).click();
      await rider.card(/^Via/).waitFor();
      await rider.page.keyboard.press("Delete");
      assert.equal((await rider.keys()).length, 1);
      assert.deepEqual(kinds(await rider.tour()), ["stop", "stop"]);
      assert.equal(await rider.handle(/^Via/).count(), 0);
      assert.ok(offLineM([(await rider.plan()).legs[0].line], country.bend) > 500, "the line is free again");
      await rider.page.keyboard.press("Control+z");
      assert.deepEqual(await rider.keys(), keys);
    },
  },
  {
    name: "a via becomes a stop and a via again; a day ends at a stop",
    ride: true,
    run: async (rider, country) => {
      await rider.look(country.places);
      await rider.handle(/^Via/).click();
      await rider.button("Make it a stop").click();
      await rider.settled();
      assert.deepEqual(kinds(await rider.tour()), ["stop", "stop", "stop"]);
      await rider.button("End the day here").click();
      await rider.settled();
      assert.equal((await rider.plan()).days.length, 2);
      const rows = rider.page.getByRole("slider", { name: /along the line/ });
      assert.equal(await rows.count(), 2, "the ribbon has a row a day");
      await rider.button("Join the days").click();
      await rider.settled();
      assert.equal((await rider.plan()).days.length, 1);
      await rider.button("Make it a via").click();
      await rider.settled();
      assert.deepEqual(kinds(await rider.tour()), ["stop", "via", "stop"]);
    },
  },
  {
    name: "reverse and reorder",
    ride: true,
    run: async (rider, country) => {
      await rider.look(country.places);
      const before = await rider.tour();
      const start = (plan) => [plan.legs[0].line.lat[0], plan.legs[0].line.lon[0]];
      await rider.button("Reverse").click();
      await rider.settled();
      assert.deepEqual(names(await rider.tour()), names(before).toReversed());
      assert.ok(distanceM(start(await rider.plan()), country.to) < 500, "the line starts at the old end");
      await rider.button("Undo (Ctrl+Z)").click();
      await rider.settled();
      assert.deepEqual(await rider.tour(), before);
      await rider.button("Morning: later").click();
      await rider.settled();
      const { points } = await rider.tour();
      assert.equal(points[1].name, "Morning");
      assert.ok(distanceM(at(points[0]), country.bend) < 1, "what was second starts now");
    },
  },
  {
    name: "a leg drawn by hand: a press on it makes a drawn point",
    ride: true,
    run: async (rider, country) => {
      await rider.look(country.places);
      await rider.page.mouse.click(...(await rider.onLine(1)));
      await rider.card("Leg").getByText("drawn by hand").click();
      await rider.settled();
      assert.equal((await rider.plan()).legs[1].kind, "free");
      assert.equal((await rider.tour()).points[2].leg, "free");
      await rider.drawn();
      const [from, to] = [await rider.xy(country.bend), await rider.xy(country.to)];
      const middle = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
      const dropped = await rider.drag(middle, [middle[0] + 30, middle[1] + 60]);
      await rider.settled();
      const { drawn } = (await rider.tour()).points[2];
      assert.equal(drawn.length, 1);
      assert.ok(distanceM(drawn[0], dropped) < 1);
      const leg = (await rider.plan()).legs[1];
      assert.ok(
        leg.line.runs.every((run) => run.class === "free"),
        "it is on no road",
      );
      const straightM = distanceM(country.bend, dropped) + distanceM(dropped, country.to);
      assert.ok(Math.abs(leg.sums.length_m / straightM - 1) < 0.01, "straight from point to point");
      await rider.page.keyboard.press("Delete");
      await rider.settled();
      assert.equal((await rider.tour()).points[2].drawn?.length ?? 0, 0);
    },
  },
  {
    name: "a reload keeps the tour; out of the shelf, and back out of the bin",
    ride: true,
    run: async (rider, country, house) => {
      await rider.look(country.places);
      const name = rider.page.getByRole("textbox", { name: "Name of the tour" });
      await name.fill("Two passes");
      await name.press("Enter");
      await rider.handle(/^Via/).focus();
      await rider.page.keyboard.press("ArrowUp");
      const keys = await rider.keys();
      const tour = await rider.tour();
      assert.equal(tour.name, "Two passes");
      await rider.reload();
      assert.deepEqual(await rider.keys(), keys);
      assert.deepEqual(await rider.tour(), tour);

      await rider.button("Shelf").click();
      await rider.button("Delete Two passes").click();
      await rider.button("Delete Two passes").waitFor({ state: "detached" });
      assert.deepEqual((await rider.tour()).points, [], "the page lets go of it");
      const find = async () => (await house.get("tours")).find((e) => e.name === "Two passes");
      assert.equal((await find()).deleted, true);
      await rider.button("Dismiss").click();
      await rider.page.getByRole("button", { name: /^Bin \(/ }).click();
      await rider.card("Shelf").locator("li", { hasText: "Two passes" }).getByText("Bring back").click();
      await rider
        .card("Shelf")
        .getByRole("button", { name: /^Two passes/ })
        .click();
      await rider.page.waitForFunction(() => window.lacet.plan()?.legs.length > 0);
      await rider.settled();
      assert.deepEqual(await rider.keys(), keys);
      assert.deepEqual(await rider.tour(), tour);
      assert.equal((await find()).deleted, false);
    },
  },
];
