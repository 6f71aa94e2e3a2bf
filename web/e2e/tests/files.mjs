// Files by drop.

import assert from "node:assert/strict";
import { distanceM } from "../rider.mjs";

/** Drops a file on the page as the desktop does. */
async function drop(rider, name, text) {
  const carried = await rider.page.evaluateHandle(
    ([name, text]) => {
      const all = new DataTransfer();
      all.items.add(new File([text], name));
      return all;
    },
    [name, text],
  );
  for (const type of ["dragenter", "dragover", "drop"]) {
    await rider.page.dispatchEvent("body", type, { dataTransfer: carried });
  }
}

const gpx = (inside) =>
  `<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">${inside}</gpx>`;

export const files = [
  {
    name: "drop a GPX file: its route is a tour to go on with",
    run: async (rider, country) => {
      const { from, bend, to } = country;
      const point = ([lat, lon], name) => `<rtept lat="${lat}" lon="${lon}"><name>${name}</name></rtept>`;
      const inside = `<rte><name>Borrowed &amp; kept</name>${point(from, "Αρχή")}${point(bend, "middle")}${point(to, "end")}</rte>`;
      await drop(rider, "borrowed.gpx", gpx(inside));
      await rider.page.waitForFunction(() => window.lacet.tour().points.length >= 3);
      const keys = await rider.keys();
      const { points, name } = await rider.tour();
      assert.equal(name, "Borrowed & kept");
      assert.equal(points.length, 3);
      assert.equal(keys.length, 2);
      assert.equal(points[0].name, "Αρχή");
      for (const [i, place] of country.places.entries()) {
        assert.ok(distanceM([points[i].lat, points[i].lon], place) < 1);
      }
      await rider.reload();
      assert.deepEqual(await rider.keys(), keys);
    },
  },
  {
    name: "drop what is no ride: one clear line, and the tour stays",
    ride: true,
    run: async (rider) => {
      const keys = await rider.keys();
      const bomb = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>';
      await drop(rider, "bomb.gpx", bomb + gpx("<metadata><name>&b;</name></metadata>"));
      const said = await rider.page.locator(".toast p").innerText();
      assert.match(said, /\w{3,}/);
      assert.deepEqual(await rider.keys(), keys);
      // The refusal is an answer of the server, which the browser also prints.
      rider.troubles = rider.troubles.filter((t) => !/status of 4\d\d/.test(t));
    },
  },
];
