// Why a road is rated so, the stretch it belongs to, and riding it; rides that are proposed; mending.

import assert from "node:assert/strict";
import { at, stop } from "../country.mjs";
import { distanceM, offLineM } from "../rider.mjs";

const linesOf = (plan) => plan.legs.map((leg) => leg.line);
/** Share of a stretch that lies on the lines. */
const share = (lines, { lat, lon }) => {
  const near = lat.map((deg, i) => offLineM(lines, [deg, lon[i]]) < 30);
  return near.filter(Boolean).length / near.length;
};

export const roads = [
  {
    name: "the best stretches in view are listed; one click rides one, one undo takes it back",
    ride: true,
    run: async (rider, country, house) => {
      const { page } = rider;
      await rider.look(country.places);
      const keys = await rider.keys();
      await rider.find("best roads", /Worth riding here/);
      const list = rider.card("Worth riding").getByRole("listitem");
      await list.first().waitFor();
      const stretches = async () => (await rider.source("lacet-stretch")).map((f) => f.properties);
      await page.waitForFunction(
        () => window.lacet.map.getSource("lacet-stretch")?.serialize().data.features.length > 0,
      );
      // The first that the line does not ride yet.
      let chosen;
      for (const { id } of await stretches()) {
        const road = await house.get(`regions/demo/stretch/${id}`);
        if (share(linesOf(await rider.plan()), road) < 0.5) chosen ??= road;
      }
      assert.ok(chosen, "there is a good road in view that is not ridden yet");
      const row = rider
        .card("Worth riding")
        .getByRole("button", { name: new RegExp(escaped(chosen.name || "Road")) });
      await row.first().hover();
      await page.waitForFunction(() =>
        window.lacet.map
          .getSource("lacet-stretch")
          .serialize()
          .data.features.some((f) => f.properties.chosen),
      );
      await row.first().click();
      const card = rider.card("Stretch");
      await card.getByRole("button", { name: "Ride it" }).waitFor();
      assert.match(await card.getByRole("region", { name: "Why it is rated so" }).innerText(), /\d/);
      const shownId = (await stretches()).find((s) => s.chosen).id;
      const road = await house.get(`regions/demo/stretch/${shownId}`);
      await card.getByRole("button", { name: "Ride it" }).click();
      await page
        .locator(".toast")
        .getByText(/^On the line now/)
        .waitFor({ timeout: 60_000 });
      await rider.settled();
      const plan = await rider.plan();
      assert.ok(share(linesOf(plan), road) > 0.9, `${share(linesOf(plan), road)} of it is on the line`);
      assert.ok((await rider.tour()).points.length > 3, "vias bring the line there");
      assert.ok((await rider.tour()).points.slice(1, -1).every((p) => p.kind === "via"));
      await page.keyboard.press("Control+z");
      assert.deepEqual(await rider.keys(), keys);
    },
  },
  {
    name: "a click on a road says why it is rated so",
    ride: true,
    run: async (rider, _country, house) => {
      const { page } = rider;
      await page.keyboard.press("Escape");
      const [best] = await house.get("regions/demo/stretches?limit=1");
      const road = await house.get(`regions/demo/stretch/${best.id}`);
      const middle = Math.floor(road.lat.length / 2);
      const place = [road.lat[middle], road.lon[middle]];
      await page.evaluate(([lat, lon]) => window.lacet.map.jumpTo({ center: [lon, lat], zoom: 14 }), place);
      await rider.drawn();
      await rider.click(place);
      const card = rider.card(/^Place/);
      await card.getByRole("region", { name: "Why it is rated so" }).waitFor();
      assert.match(await card.innerText(), /bends\s+\d+\s%/);
      await card.getByText("Part of").waitFor();
      await card.getByText("The numbers behind it").click();
      assert.match(await card.innerText(), /bend rate\s+[\d,]+°\/km/);
      await page.waitForFunction(
        () => window.lacet.map.getSource("lacet-stretch")?.serialize().data.features.length === 1,
      );
      await page.keyboard.press("Escape");
      await page.waitForFunction(
        () => window.lacet.map.getSource("lacet-stretch")?.serialize().data.features.length === 0,
      );
    },
  },
  {
    name: "a round trip is proposed, looked at and taken",
    ride: true,
    run: async (rider, country) => {
      const { page } = rider;
      await rider.look(country.places);
      const before = await rider.tour();
      await rider.find("round trip", /Round trip/);
      const card = rider.card("Round trip");
      await card.getByRole("spinbutton", { name: "How much" }).fill("1");
      await rider.button("Look for rides").click();
      await card.getByRole("radio").first().waitFor({ timeout: 60_000 });
      const offers = await rider.source("lacet-choice");
      assert.equal(offers.length, await card.getByRole("radio").count());
      assert.equal(offers.filter((f) => f.properties.chosen).length, 1);
      if (offers.length > 1) {
        await page.keyboard.press("Tab");
        await card.getByRole("radio").first().focus();
        await page.keyboard.press("ArrowDown");
        await page.waitForFunction(
          () => window.lacet.map.getSource("lacet-choice").serialize().data.features[1].properties.chosen,
        );
      }
      await rider.button("Ride this one").click();
      await rider.settled();
      const { points } = await rider.tour();
      assert.ok(points.length > 2);
      assert.ok(distanceM(at(points[0]), at(points.at(-1))) < 50, "it ends where it began");
      assert.ok(distanceM(at(points[0]), country.from) < 500, "it begins where the tour began");
      const plan = await rider.plan();
      assert.ok(plan.total.riding_s < 3600 * 1.1, `${plan.total.riding_s} s of one hour`);
      assert.equal((await rider.source("lacet-choice")).length, 0);
      await rider.button("Undo (Ctrl+Z)").click();
      await rider.settled();
      assert.deepEqual(await rider.tour(), before);
    },
  },
  {
    name: "a better line that may take longer, and other ways of a leg",
    run: async (rider, country, house) => {
      const { page } = rider;
      await rider.goto(await house.shelve(country.tour([stop(country.from), stop(country.to)])));
      await rider.reload();
      await rider.settled();
      const before = (await rider.plan()).total;
      await rider.find("a better line", /A better line/);
      const card = rider.card("A better line");
      await card.getByRole("spinbutton", { name: "At most longer" }).fill("30");
      await rider.button("Look for rides").click();
      await rider.button("Look again").waitFor({ timeout: 60_000 });
      if (await card.getByRole("radio").count()) {
        await rider.button("Ride this one").click();
        await rider.settled();
        const { total } = await rider.plan();
        assert.ok(total.riding_s <= before.riding_s + 30 * 60 + 60, "no longer than asked");
        await page.keyboard.press("Control+z");
        await rider.settled();
      }
      await rider.look([country.from, country.to]);
      await page.mouse.click(...(await rider.onLine(0)));
      await rider.card("Leg").getByRole("button", { name: "Other ways" }).click();
      const ways = rider.card("Other ways");
      await ways.locator(".offer, .hint").first().waitFor({ timeout: 60_000 });
      await ways.locator(".looking").waitFor({ state: "detached", timeout: 60_000 });
      if (!(await ways.getByRole("radio").count())) return;
      const [key] = await rider.keys();
      await rider.button("Ride this one").click();
      assert.notEqual((await rider.keys())[0], key, "the leg goes another way");
    },
  },
  {
    name: "a spur is mended with one click",
    run: async (rider, country, house) => {
      const tour = await spurred(country, house);
      if (!tour) return console.log("skip  mending: no place of this country lies at the end of a road");
      const id = await house.shelve(tour);
      await rider.goto(id);
      await rider.reload();
      await rider.settled();
      const count = (await rider.plan()).warnings.filter((w) => w.repair).length;
      assert.ok(count > 0);
      await rider.page.getByRole("button", { name: /warning/ }).click();
      await rider.card("Warnings").getByRole("button", { name: "Mend" }).first().click();
      await rider.settled();
      const after = await rider.plan();
      assert.ok(after.warnings.filter((w) => w.repair).length < count, "there is one less to mend");
      await rider.page.keyboard.press("Control+z");
      await rider.settled();
      assert.deepEqual((await rider.tour()).points, tour.points);
    },
  },
];

const escaped = (text) => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

/** A tour whose via lies on a road that has to be ridden in and out. */
async function spurred(country, house) {
  for (const kind of ["hamlet", "village", "viewpoint", "camping"]) {
    const places = await house.get(`regions/${country.region}/find?q=${kind}&limit=40&lat=0&lon=0`);
    for (const place of places) {
      if (distanceM(at(place), country.from) > 25_000) continue;
      const via = { ...stop(at(place)), kind: "via" };
      const tour = country.tour([stop(country.from), via, stop(country.to)]);
      const plan = JSON.parse(await house.send("POST", "plan", { tour, have: [] }));
      if (plan.warnings.some((w) => w.repair)) return tour;
    }
  }
  return undefined;
}
