// Taste: dials that move the line and shade the roads, tastes kept, tastes as files.

import assert from "node:assert/strict";
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";

const dial = (rider, name) => rider.card("Taste").getByRole("slider", { name });

/** Opens the dials; on a tour that is there, with a taste to start from. */
export async function openTaste(rider, from) {
  await rider.button("Taste").click();
  await rider.card("Taste").waitFor();
  if (!from) return;
  await rider.card("Taste").getByRole("combobox", { name: "Taste", exact: true }).selectOption(from);
  await rider.settled();
}

/** Waits until the roads on the map carry the worth of the taste asked for last. */
const shaded = async (rider) => {
  await rider.page.waitForFunction(() => window.lacet.shaded());
  await rider.drawn();
};

/** What the roads in view are worth, by piece. */
const worths = (rider) =>
  rider.page.evaluate(() =>
    window.lacet.map
      .querySourceFeatures("roads", { sourceLayer: "roads" })
      .filter((f) => f.properties.worth !== undefined)
      .map((f) => f.properties.worth),
  );

export const taste = [
  {
    name: "a dial moves the line and shades the roads while it is turned; one step undoes it",
    ride: true,
    run: async (rider, country) => {
      const { page } = rider;
      await rider.look(country.places);
      await page.getByText(/^bends, °\/km$/).waitFor();
      await openTaste(rider, "winding");
      await shaded(rider);
      const before = await worths(rider);
      assert.ok(before.length > 20, "roads say what they are worth");
      assert.equal((await rider.tour()).taste, "winding");
      await page.getByText(/^worth to "winding", %$/).waitFor();

      const keys = await rider.keys();
      const asked = [];
      page.on("request", (r) => /\/tiles\/.*taste=/.test(r.url()) && asked.push(r.url()));
      const bends = dial(rider, /^Bends/);
      await bends.focus();
      await page.keyboard.press("Home");
      // Still under the hand, yet planned and shaded: nothing waits for a button.
      await page.waitForFunction(() => window.lacet.tour().taste.bends === 0);
      await rider.card("Taste").getByText("does not count").first().waitFor();
      await rider.settled();
      await shaded(rider);
      assert.ok(asked.length > 0, "other tiles were asked for");
      assert.notDeepEqual(
        (await worths(rider)).toSorted(),
        before.toSorted(),
        "roads are worth something else",
      );
      await page.keyboard.press("Control+z");
      await rider.settled();
      assert.equal((await rider.tour()).taste, "winding");
      assert.deepEqual(await rider.keys(), keys);

      for (let i = 0; i < 6; i++) await page.keyboard.press("ArrowDown");
      await page.waitForFunction(() => window.lacet.tour().taste.bends < 1);
      assert.equal((await rider.tour()).taste.name, "own");
      await page.keyboard.press("Control+z");
      await rider.settled();
      assert.equal((await rider.tour()).taste, "winding", "many presses are one turn of the dial");
      await page.keyboard.press("Control+z");
      await rider.settled();
      assert.equal((await rider.tour()).taste, "fastest");
    },
  },
  {
    name: "what the taste cost against the fastest is said in one line; bends can be shown instead",
    ride: true,
    run: async (rider) => {
      const { page } = rider;
      await openTaste(rider, "winding");
      const line = rider.card("Taste").locator(".taste-price");
      assert.match(await line.innerText(), /^(\+\d+.min (for|against)|No longer than the fastest)/);
      await rider.button("Tour").click();
      assert.match(
        await rider.card("Tour").locator(".taste-price").innerText(),
        /^(\+\d+.min (for|against)|No longer than the fastest)/,
      );
      await page.getByTitle("The whole legend").click();
      await page.getByRole("radio", { name: "how much they bend" }).check();
      await page.getByText(/^bends, °\/km$/).waitFor();
      await page.getByRole("radio", { name: "what they are worth to the taste" }).check();
      await page.getByText(/^worth to "winding", %$/).waitFor();
    },
  },
  {
    name: "a taste is kept under a name, taken as a file and opened from one",
    ride: true,
    run: async (rider, _country, house) => {
      const { page } = rider;
      await openTaste(rider, "quiet");
      await dial(rider, /^Price/).focus();
      await page.keyboard.press("End");
      await rider.card("Taste").getByText("never").first().click();
      await rider.settled();
      const name = rider.card("Taste").getByRole("textbox", { name: "Name of this taste" });
      await name.fill("Sunday light");
      await page.keyboard.press("Enter");
      await page.waitForFunction(() => window.lacet.tour().taste.name === "Sunday light");
      const [download] = await Promise.all([page.waitForEvent("download"), rider.button("TOML").click()]);
      assert.equal(download.suggestedFilename(), "Sunday-light.toml");
      const file = join(house.folder, "sunday.toml");
      await download.saveAs(file);
      const toml = readFileSync(file, "utf8");
      assert.match(toml, /name = "Sunday light"/);
      assert.match(toml, /longer_min = +30/);

      // It is there after a reload, and from the finder.
      await rider.settled();
      await rider.reload();
      await rider.settled();
      await rider.find("taste fastest", /Taste: fastest/);
      await rider.settled();
      assert.equal((await rider.tour()).taste, "fastest");
      await rider.find("sunday", /Taste: Sunday light/);
      await rider.settled();
      assert.equal((await rider.tour()).taste.longer_min, 30);

      // From a file, under the name in it; nonsense is refused in plain words.
      writeFileSync(
        file,
        toml.replace("Sunday light", "Slow light").replace(/longer_min = +30\S*/, "longer_min = 7"),
      );
      const open = async () => {
        await openTaste(rider);
        const [chooser] = await Promise.all([
          page.waitForEvent("filechooser"),
          rider.button("Open a taste").click(),
        ]);
        await chooser.setFiles(file);
      };
      await page.keyboard.press("Escape");
      await page.keyboard.press("Escape");
      await open();
      await page.waitForFunction(() => window.lacet.tour().taste.name === "Slow light");
      assert.equal((await rider.tour()).taste.longer_min, 7);
      await rider.settled();
      writeFileSync(file, toml.replace(/longer_min = +30\S*/, "longer_min = 4000"));
      await rider.button("Taste").click();
      await open();
      await page
        .locator(".toast")
        .getByText(/longer_min|30/)
        .waitFor();
      assert.equal((await rider.tour()).taste.name, "Slow light", "the tour keeps its taste");
      // The refusal of the file is no trouble of the page.
      rider.troubles = rider.troubles.filter((t) => !t.includes("status of 4"));
    },
  },
];
