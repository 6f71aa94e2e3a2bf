// The main job: set out, pull the line over another road, take it back, carry the file away.

import assert from "node:assert/strict";
import { join } from "node:path";
import { gpxpy, validGpx } from "../readers.mjs";
import { distanceM, offLineM } from "../rider.mjs";

const linesOf = (plan) => plan.legs.map((leg) => leg.line);

/** Sets start and stop by clicks, as a rider does. */
async function setOut(rider, from, to) {
  await rider.look([from, to]);
  await rider.click(from);
  await rider.button("Start here").click();
  await rider.click(to);
  await rider.button("Ride on to here").click();
  await rider.settled();
  const tour = await rider.tour();
  assert.deepEqual(
    tour.points.map((p) => p.kind),
    ["stop", "stop"],
  );
  // A click on a town's name means the town.
  assert.ok(
    distanceM([tour.points[0].lat, tour.points[0].lon], from) < 600,
    "the start is where it was clicked",
  );
  const plan = await rider.plan();
  assert.equal(plan.legs[0].trouble ?? "", "");
  assert.ok(plan.total.length_m > distanceM(from, to) * 0.95, "the line is no shorter than the straight one");
}

async function bendLine(rider, { from, to, over, folder }) {
  await setOut(rider, from, to);
  await rider.look([from, to, over]);
  const [keyBefore] = await rider.keys();
  const before = await rider.plan();
  assert.ok(offLineM(linesOf(before), over) > 1000, "the other road is not ridden yet");

  const pressed = await rider.onLine(0);
  await rider.watchLine();
  const plansBefore = rider.plans;
  const dropped = await rider.drag(pressed, await rider.xy(over), async (hand) => {
    // Still held: the line on the map is already that through the hand.
    await rider.settled();
    assert.ok(rider.plans - plansBefore >= 3, `planned ${rider.plans - plansBefore} times on the way`);
    const live = await rider.source("lacet-line-live");
    assert.ok(live.length > 0, "the moving legs are drawn");
    const drawn = live.map((f) => ({
      lat: f.geometry.coordinates.map((c) => c[1]),
      lon: f.geometry.coordinates.map((c) => c[0]),
    }));
    assert.ok(offLineM(drawn, hand) < 100, `the drawn line is ${offLineM(drawn, hand)} m from the hand`);
    assert.equal(await rider.button("Redo (Ctrl+Shift+Z)").isDisabled(), true);
  });

  const keysAfter = await rider.keys();
  const frames = await rider.frames();
  assert.ok(frames.all > 3, "the line was drawn anew under the hand");
  assert.equal(frames.bare, 0, "the old line stays until the new one is there");
  const [tour, plan] = [await rider.tour(), await rider.plan()];
  assert.deepEqual(
    tour.points.map((p) => p.kind),
    ["stop", "via", "stop"],
  );
  const via = [tour.points[1].lat, tour.points[1].lon];
  assert.ok(distanceM(via, dropped) < 1, "the via is where it was dropped");
  assert.ok(
    offLineM(linesOf(plan), dropped) < 100,
    `dropped ${offLineM(linesOf(plan), dropped)} m off the line`,
  );
  assert.ok(!keysAfter.includes(keyBefore), "both legs are new");
  assert.equal(plan.legs.map((leg) => leg.trouble ?? "").join(""), "");

  await rider.page.keyboard.press("Control+z");
  assert.deepEqual(await rider.keys(), [keyBefore]);
  assert.equal((await rider.tour()).points.length, 2);
  await rider.button("Redo (Ctrl+Shift+Z)").click();
  assert.deepEqual(await rider.keys(), keysAfter);

  await rider.page.keyboard.press("Escape");
  const [download] = await Promise.all([rider.page.waitForEvent("download"), rider.button("GPX").click()]);
  assert.match(download.suggestedFilename(), /\.gpx$/);
  const file = join(folder, download.suggestedFilename());
  await download.saveAs(file);
  validGpx(file);
  const read = gpxpy(file);
  if (!read) return;
  const { length_m } = plan.total;
  assert.ok(Math.abs(read.length_m / length_m - 1) < 0.01, `file ${read.length_m} m, plan ${length_m} m`);
  const first = plan.legs[0].line;
  const last = plan.legs.at(-1).line;
  assert.ok(distanceM(read.first, [first.lat[0], first.lon[0]]) < 2);
  assert.ok(distanceM(read.last, [last.lat.at(-1), last.lon.at(-1)]) < 2);
  assert.ok(
    read.route.some((p) => distanceM(p, via) < 150),
    "the via is among the route points",
  );
}

export const line = [
  {
    name: "press on the line, drag it over another road, undo, redo, take the GPX file",
    run: (rider, country, house) =>
      bendLine(rider, { from: country.from, to: country.to, over: country.bend, folder: house.folder }),
  },
  {
    name: "the same over another valley of Andorra, by night",
    region: "andorra",
    colorScheme: "dark",
    // Encamp and Canillo lie in one valley, Ordino in the next.
    run: (rider, _country, house) =>
      bendLine(rider, {
        from: [42.5349, 1.5801],
        to: [42.567, 1.5985],
        over: [42.556, 1.5332],
        folder: house.folder,
      }),
  },
  {
    name: "Esc during a drag lets the line go back",
    run: async (rider, country) => {
      await setOut(rider, country.from, country.to);
      await rider.look([country.from, country.to, country.bend]);
      const keys = await rider.keys();
      await rider.drag(await rider.onLine(0), await rider.xy(country.bend), async () => {
        await rider.settled();
        assert.equal((await rider.tour()).points.length, 3, "held, there is a via");
        await rider.page.keyboard.press("Escape");
      });
      assert.deepEqual(await rider.keys(), keys);
      assert.equal((await rider.tour()).points.length, 2);
    },
  },
  {
    name: "a finger drags the line",
    width: 360,
    height: 740,
    hasTouch: true,
    run: async (rider, country, house) => {
      const points = [country.from, country.to].map(([lat, lon]) => ({
        kind: "stop",
        lat,
        lon,
        leg: "road",
      }));
      await rider.goto(await house.shelve(country.tour(points)));
      await rider.reload();
      await rider.settled();
      // A narrow screen may begin with the tour's card over the map.
      const close = rider.page.getByRole("region", { name: "Tour" }).getByRole("button", { name: "Close" });
      if (await close.isVisible()) await close.tap();
      await rider.look([country.from, country.to, country.bend]);
      const [x0, y0] = await rider.onLine(0);
      const [x1, y1] = await rider.xy(country.bend);
      const hand = await rider.context.newCDPSession(rider.page);
      const touch = (type, ...touchPoints) => hand.send("Input.dispatchTouchEvent", { type, touchPoints });
      await touch("touchStart", { x: x0, y: y0 });
      for (let i = 1; i <= 12; i++) {
        await touch("touchMove", { x: x0 + ((x1 - x0) * i) / 12, y: y0 + ((y1 - y0) * i) / 12 });
        await rider.page.waitForTimeout(30);
      }
      const dropped = await rider.place([x1, y1]);
      await touch("touchEnd");
      await rider.settled();
      assert.deepEqual(
        (await rider.tour()).points.map((p) => p.kind),
        ["stop", "via", "stop"],
      );
      assert.ok(offLineM(linesOf(await rider.plan()), dropped) < 150, "the line runs under the finger");
    },
  },
];
