// Days: their ends on the ribbon, fuel, nights, an hour to be there, and paper.

import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { stop } from "../country.mjs";
import { distanceM } from "../rider.mjs";

const DEPART = "2026-06-13T09:00";

/** Two days, the night in the middle; opened on the page. */
async function twoDays(rider, country) {
  const points = [
    stop(country.from, "Morning"),
    { ...stop(country.bend, "Night"), ends_day: true },
    stop(country.to, "Evening"),
  ];
  const id = await country.house.shelve(country.tour(points, { name: "Two days", depart: DEPART }));
  await open(rider, id);
}

/** Opens a tour of the shelf on the page. */
async function open(rider, id) {
  await rider.goto(id);
  await rider.reload();
  await rider.page.waitForFunction(() => window.lacet.plan()?.days.length > 0);
  await rider.settled();
}

/** Brings the tour's panel up. */
async function tourPanel(rider) {
  await rider.settled();
  const panel = rider.card("Tour");
  if (!(await panel.isVisible())) await rider.page.getByRole("button", { name: /^Tour/ }).first().click();
  await panel.waitFor();
}

const ends = (tour) => tour.points.findIndex((p) => p.ends_day);
const dayM = async (rider, day) => (await rider.plan()).days[day].sums.length_m;

export const days = [
  {
    name: "drag the end of a day along the ribbon: it moves on the map, the line stays",
    run: async (rider, country) => {
      await twoDays(rider, country);
      const whole = (await rider.plan()).total.length_m;
      const before = await dayM(rider, 0);
      const handle = rider.page.getByRole("slider", { name: "End of day 1" });
      const [x, y] = await rider.middleOf(handle);
      await rider.drag([x, y], [x - 90, y]);
      await rider.settled();
      const tour = await rider.tour();
      const at = tour.points[ends(tour)];
      assert.ok(distanceM([at.lat, at.lon], country.bend) > 500, "the night must be elsewhere");
      assert.ok((await dayM(rider, 0)) < before - 500, "the first day must be shorter");
      const after = (await rider.plan()).total.length_m;
      assert.ok(Math.abs(after - whole) < 0.02 * whole, `the line must stay: ${whole} ${after}`);
      const placed = (await rider.plan()).points[ends(tour)];
      assert.ok(placed.offset_m < 30, "the night lies on the line");
      await rider.page.keyboard.press("Control+z");
      await rider.settled();
      assert.equal((await rider.tour()).points[1].name, "Night");
      assert.ok(Math.abs((await dayM(rider, 0)) - before) < 1);
    },
  },
  {
    name: "move the end of a day by key, told to a screen reader",
    run: async (rider, country) => {
      await twoDays(rider, country);
      const before = await dayM(rider, 0);
      const handle = rider.page.getByRole("slider", { name: "End of day 1" });
      const told = await handle.getAttribute("aria-valuetext");
      await handle.focus();
      await rider.page.keyboard.press("ArrowLeft");
      await rider.settled();
      const shorter = await dayM(rider, 0);
      assert.ok(Math.abs(before - shorter - 2000) < 150, `2 km earlier: ${before} ${shorter}`);
      assert.notEqual(await handle.getAttribute("aria-valuetext"), told);
      assert.equal(await handle.evaluate((e) => e === document.activeElement), true, "the focus stays");
      await rider.page.keyboard.press("ArrowRight");
      await rider.settled();
      assert.ok(Math.abs((await dayM(rider, 0)) - before) < 300);
      assert.equal((await rider.tour()).points.filter((p) => p.ends_day).length, 1);
    },
  },
  {
    name: "add a fuel stop with one click",
    run: async (rider, country, house) => {
      const points = [stop(country.from), stop(country.bend), stop(country.to)];
      let rider_ = {};
      let wanted;
      // The smallest range at which there is something to propose and fuel is found in time.
      for (const consumption_l of [10, 15, 20, 30, 45, 60]) {
        rider_ = { tank_l: 5, reserve_l: 1, consumption_l };
        const tour = country.tour(points, { depart: DEPART, rider: rider_ });
        const plan = JSON.parse(await house.send("POST", "plan", { tour, have: [] }));
        wanted = plan.days[0].sheet.fuel.stops.find((s) => s.point === null);
        if (wanted) break;
      }
      assert.ok(wanted, "no range makes a fuel stop");
      await open(rider, await house.shelve(country.tour(points, { depart: DEPART, rider: rider_ })));
      await rider.page
        .getByRole("button", { name: /^Add fuel stop/ })
        .first()
        .click();
      await rider.settled();
      const { points: now } = await rider.tour();
      assert.equal(now.length, 4);
      const added = now.find((p) => p.refuel);
      assert.ok(distanceM([added.lat, added.lon], wanted.at) < 1);
      const fuel = (await rider.plan()).days[0].sheet.fuel;
      assert.ok(fuel.stops.some((s) => s.point === now.indexOf(added)));
    },
  },
  {
    name: "propose nights and use them; be there by an hour",
    ride: true,
    run: async (rider) => {
      const km = (await rider.plan()).total.length_m / 1000;
      await tourPanel(rider);
      await rider.page.getByText("Nights: propose days").click();
      await rider.page.getByLabel("Length a day, at most").fill(String(Math.ceil(km * 0.7)));
      await rider.page.getByLabel("Length a day, at most").press("Tab");
      await rider.button("Propose days").click();
      await rider.button("Use these days").click();
      await rider.settled();
      assert.ok((await rider.plan()).days.length >= 2);
      const last = (await rider.tour()).points.length - 1;
      await rider.page.locator(`.points [data-index="${last}"] .point-name`).click();
      const by = rider.page.locator('input[name="arrive_by"]');
      await by.fill("18:00");
      await by.press("Tab");
      await rider.settled();
      const arrive = (await rider.plan()).days.at(-1).arrive;
      assert.ok(arrive.endsWith("T17:59") || arrive.endsWith("T18:00"), arrive);
    },
  },
  {
    name: "take the roadbook and the handout",
    ride: true,
    run: async (rider) => {
      await tourPanel(rider);
      for (const [button, ending, begins] of [
        ["Roadbook", ".pdf", "%PDF-"],
        ["Handout", ".html", "<!doctype html>"],
      ]) {
        const [download] = await Promise.all([
          rider.page.waitForEvent("download"),
          rider.button(button).click(),
        ]);
        assert.ok(download.suggestedFilename().endsWith(ending), download.suggestedFilename());
        const content = await readFile(await download.path(), "latin1");
        assert.ok(content.startsWith(begins));
        assert.ok(content.length > 10_000);
      }
    },
  },
];
