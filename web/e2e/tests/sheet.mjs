// The page for everybody: contrast and names, narrow screens, credit, the ribbon and its dot.

import assert from "node:assert/strict";
import axe from "axe-core";
import { openTaste } from "./taste.mjs";

const RULES = { runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"] } };

/** Accessibility rules that what is on the screen breaks. */
async function broken(rider) {
  await rider.page.evaluate(axe.source);
  const { violations, passes } = await rider.page.evaluate((rules) => window.axe.run(document, rules), RULES);
  assert.ok(passes.length > 10, "axe has looked at the page");
  return violations.map(
    (v) => `${v.id}: ${v.nodes.map((n) => `${n.target} ${n.failureSummary}`).join("; ")}`,
  );
}

async function accessible(rider, country) {
  const { page } = rider;
  await rider.settled();
  await rider.look(country.places);
  const looks = {
    "the tour": () => rider.card("Tour").waitFor(),
    "a via's card": async () => {
      await rider.handle(/^Via/).click();
      await rider.card(/^Via/).waitFor();
    },
    "a leg's card": async () => {
      await page.mouse.click(...(await rider.onLine(0)));
      await rider.card("Leg").waitFor();
    },
    "a place's card": async () => {
      await rider.find(country.toName, country.toName);
      await rider.card(/^Place/).waitFor();
    },
    "the taste": async () => {
      await page.keyboard.press("Escape");
      await openTaste(rider, "winding");
    },
    "the best roads": async () => {
      await rider.find("best roads", /Worth riding here/);
      await rider.card("Worth riding").getByRole("listitem").first().waitFor();
    },
    "a stretch": async () => {
      await rider.card("Worth riding").getByRole("listitem").getByRole("button").first().click();
      await rider.card("Stretch").getByRole("button", { name: "Ride it" }).waitFor();
    },
    "a round trip": async () => {
      await rider.find("round trip", /Round trip/);
      await rider.card("Round trip").waitFor();
    },
    "the shelf": async () => {
      await rider.button("Shelf").click();
      await rider
        .card("Shelf")
        .getByRole("button", { name: /^Rename/ })
        .first()
        .waitFor();
    },
    "the warnings": async () => {
      await page.getByRole("button", { name: /warning/ }).click();
      await rider.card("Warnings").waitFor();
    },
    "the keys": async () => {
      await page.keyboard.press("?");
      await rider.card("Keys").waitFor();
    },
    "the legend": async () => {
      await page.getByTitle("The whole legend").click();
      await rider.card("Legend").waitFor();
    },
    "the ribbon as a table": () => rider.button("Show as a table").click(),
    "the finder's list": async () => {
      await page.keyboard.press("Escape");
      await page.keyboard.press("/");
      await page.keyboard.type("ma");
      await page.getByRole("option").first().waitFor();
    },
  };
  const all = [];
  for (const [what, show] of Object.entries(looks)) {
    await show();
    for (const violation of await broken(rider)) all.push(`${what}: ${violation}`);
  }
  assert.deepEqual(all, []);
}

/** What can be used but sticks out of the window to the side. */
const sticksOut = (rider) =>
  rider.page.evaluate(() => {
    const wide = document.documentElement.clientWidth;
    const out = [...document.querySelectorAll("button, input, select, a, p, h2, .row-plot")]
      .filter(
        (e) => e.checkVisibility({ visibilityProperty: true }) && !e.closest(".off-screen, .maplibregl-map"),
      )
      .map((e) => [e, e.getBoundingClientRect()])
      .filter(([, b]) => b.width > 0 && (b.left < -1 || b.right > wide + 1))
      .map(([e, b]) => `${e.tagName} ${e.className} "${e.textContent.slice(0, 30)}" ${b.left}..${b.right}`);
    if (document.documentElement.scrollWidth > wide)
      out.push(`the page is ${document.documentElement.scrollWidth} wide`);
    return out;
  });

export const sheet = [
  { name: "axe finds nothing wrong by day", ride: true, colorScheme: "light", run: accessible },
  { name: "axe finds nothing wrong by night", ride: true, colorScheme: "dark", run: accessible },
  {
    name: "axe finds nothing wrong on a narrow screen",
    ride: true,
    width: 360,
    height: 740,
    run: async (rider) => {
      assert.deepEqual(await broken(rider), []);
    },
  },
  {
    name: "360 px wide: nothing sticks out, finder and ribbon serve",
    width: 360,
    height: 740,
    hasTouch: true,
    run: async (rider, country) => {
      const { page } = rider;
      assert.deepEqual(await sticksOut(rider), []);
      for (const [name, deed] of [
        [country.fromName, "Start here"],
        [country.toName, "Ride on to here"],
      ]) {
        await rider.finder.tap();
        await page.keyboard.type(name);
        const option = page.getByRole("option").filter({ hasText: name }).first();
        await option.waitFor();
        assert.deepEqual(await sticksOut(rider), []);
        await option.tap();
        await rider.button(deed).tap();
      }
      await rider.settled();
      assert.equal((await rider.plan()).legs.length, 1);
      const ribbon = await page.getByRole("slider").boundingBox();
      assert.ok(ribbon.width > 200 && ribbon.y + ribbon.height <= 740, "the ribbon is in sight");
      await page.touchscreen.tap(ribbon.x + ribbon.width / 2, ribbon.y + ribbon.height / 3);
      await rider.card("Leg").waitFor();
      assert.equal((await rider.source("lacet-dot")).length, 1, "the dot is on the map");
      assert.deepEqual(await sticksOut(rider), []);
      await page.keyboard.press("Escape");
      for (const panel of ["Shelf", "Taste", "Tour"]) {
        await rider.button(panel).tap();
        await rider.card(panel).waitFor();
        assert.deepEqual(await sticksOut(rider), []);
      }
    },
  },
  {
    name: "ribbon and map point at the same place",
    ride: true,
    run: async (rider, country) => {
      await rider.look(country.places);
      const plot = await rider.page.getByRole("slider").boundingBox();
      await rider.page.mouse.move(plot.x + plot.width * 0.4, plot.y + 20);
      await rider.page.locator(".row-cursor").waitFor();
      const [first] = await rider.source("lacet-dot");
      await rider.page.mouse.move(plot.x + plot.width * 0.6, plot.y + 20);
      await rider.page.waitForTimeout(100);
      const [second] = await rider.source("lacet-dot");
      assert.notDeepEqual(second.geometry, first.geometry, "the dot runs along");
      assert.match(
        await rider.page.getByRole("slider").getAttribute("aria-valuetext"),
        /\d\.\d\skm · \d\d:\d\d · /,
      );
      // And the other way round.
      await rider.page.mouse.move(...(await rider.onLine(0)));
      const words = () => rider.page.locator(".row-words").innerText();
      const atLine = await words();
      await rider.page.mouse.move(...(await rider.onLine(1)));
      await rider.page.waitForFunction(
        (old) => document.querySelector(".row-words")?.textContent !== old,
        atLine,
      );
    },
  },
  {
    name: "cautions always; no map credit on invented country",
    ride: true,
    run: async (rider) => {
      const foot = await rider.page.getByRole("contentinfo").innerText();
      assert.match(foot, /Planning aid only/);
      assert.doesNotMatch(foot, /OpenStreetMap/);
    },
  },
  {
    name: "map credit on a real extract; the region is chosen before the first click",
    region: "andorra",
    run: async (rider) => {
      assert.match(await rider.page.getByRole("contentinfo").innerText(), /© OpenStreetMap contributors/);
      await rider.page.getByRole("combobox", { name: "Region" }).selectOption("demo");
      await rider.page.getByText("OpenStreetMap").waitFor({ state: "detached" });
      assert.equal((await rider.tour()).region, "demo");
    },
  },
];
