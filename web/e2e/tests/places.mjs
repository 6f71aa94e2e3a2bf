// The finder: places, coordinates, commands; and a whole plan without a mouse.

import assert from "node:assert/strict";
import { distanceM } from "../rider.mjs";

/** Degrees as a rider writes degrees, minutes and seconds. */
function dms(value, [plus, minus]) {
  const s = Math.round(Math.abs(value) * 36_000) / 10;
  const [d, m] = [Math.floor(s / 3600), Math.floor((s % 3600) / 60)];
  return `${d}°${m}'${(s % 60).toFixed(1)}"${value < 0 ? minus : plus}`;
}

export const places = [
  {
    name: "plan by keyboard only",
    run: async (rider, country) => {
      const { keyboard } = rider.page;
      const focused = (label) =>
        rider.page.waitForFunction((l) => document.activeElement?.textContent?.trim() === l, label);
      await rider.find(country.fromName, country.fromName);
      await focused("Start here");
      await keyboard.press("Enter");
      await rider.find(country.toName, country.toName);
      await focused("Ride on to here");
      await keyboard.press("Enter");
      assert.equal((await rider.keys()).length, 1);
      const tour = await rider.tour();
      assert.deepEqual(
        tour.points.map((p) => p.name),
        [country.fromName, country.toName],
      );
      const plan = await rider.plan();
      assert.equal(plan.legs[0].trouble ?? "", "");
      // Along the ribbon, with the dot on the map.
      await rider.page.getByRole("slider").focus();
      await keyboard.press("End");
      await rider.page.waitForFunction(
        () => window.lacet.map.getSource("lacet-dot").serialize().data.features.length === 1,
      );
      const [dot] = await rider.source("lacet-dot");
      const { lat, lon } = plan.legs[0].line;
      assert.ok(distanceM(dot.geometry.coordinates.toReversed(), [lat.at(-1), lon.at(-1)]) < 5);
      // Commands too.
      await rider.find("reverse", /^Reverse the tour/);
      await rider.settled();
      assert.equal((await rider.tour()).points[0].name, country.toName);
    },
  },
  ...[
    ["decimal degrees", ([lat, lon]) => `${lat.toFixed(6)}, ${lon.toFixed(6)}`, 1],
    ["degrees, minutes, seconds", ([lat, lon]) => `${dms(lat, "NS")} ${dms(lon, "EW")}`, 5],
    ["a geo: URI", ([lat, lon]) => `geo:${lat.toFixed(6)},${lon.toFixed(6)}`, 1],
  ].map(([notation, write, withinM]) => ({
    name: `coordinates in the finder: ${notation}`,
    run: async (rider, country) => {
      await rider.find(write(country.bend));
      await rider.button("Start here").click();
      const [start, ...more] = (await rider.tour()).points;
      assert.equal(more.length, 0);
      const off = distanceM([start.lat, start.lon], country.bend);
      assert.ok(off < withinM, `${write(country.bend)} was taken ${off} m away`);
    },
  })),
  {
    name: "what is not there is said, not guessed",
    run: async (rider) => {
      await rider.page.keyboard.press("/");
      await rider.page.keyboard.type("xqzzv qqq");
      await rider.page.getByText("Nothing of that name in this region.").waitFor();
      await rider.page.keyboard.press("Enter");
      assert.deepEqual((await rider.tour()).points, []);
    },
  },
  {
    name: "miles and feet everywhere at once",
    ride: true,
    run: async (rider) => {
      const { total } = await rider.plan();
      const row = rider.page.locator(".row-end");
      assert.match(await row.innerText(), new RegExp(`${(total.length_m / 1000).toFixed(0)}(\\.\\d)?\\skm`));
      await rider.find("miles and", /^Miles and feet/);
      await rider.page.locator(".row-end", { hasText: /\d\smi(?!n)/ }).waitFor();
      const miles = total.length_m / 1609.344;
      assert.match(await row.innerText(), new RegExp(`${miles.toFixed(miles < 10 ? 1 : 0)}\\smi`));
      for (const part of [".stage", ".ribbon"]) {
        assert.doesNotMatch(await rider.page.locator(part).innerText(), /\d\s(km|m)\b/);
      }
    },
  },
];
