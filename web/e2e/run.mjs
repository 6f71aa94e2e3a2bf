// The page in a real browser, against a real `lacet` with data of its own.
//
//   LACET_BIN=path/to/lacet npm run e2e [-- words of a test's name]
//
// A test is `{ name, run(rider, country, house) }`; with `ride` it begins on a tour of three points
// (country.places), else on none. Each has a browser profile of its own; a script error, a console error or a
// request that leaves this machine fails the test it happens in.

import { Country } from "./country.mjs";
import { House } from "./house.mjs";
import { days } from "./tests/days.mjs";
import { edits } from "./tests/edits.mjs";
import { files } from "./tests/files.mjs";
import { line } from "./tests/line.mjs";
import { places } from "./tests/places.mjs";
import { roads } from "./tests/roads.mjs";
import { sheet } from "./tests/sheet.mjs";
import { taste } from "./tests/taste.mjs";

/** Encamp, Canillo and Ordino. */
const ANDORRA = [
  [42.5349, 1.5801],
  [42.567, 1.5985],
  [42.556, 1.5332],
];
const TEST_S = 120;
const ALL_S = 900;

const wanted = process.argv.slice(2).join(" ");
const house = new House();
let [passed, failed, skipped] = [0, 0, 0];
const started = Date.now();

/** What a test cannot check on this machine, said aloud and counted apart. */
class Skip extends Error {}
const skip = (why) => {
  throw new Skip(why);
};

const within = (promise, seconds, what) => {
  let timer;
  const late = new Promise((_, no) => {
    timer = setTimeout(() => no(new Error(`${what} took more than ${seconds} s`)), seconds * 1000);
  });
  return Promise.race([promise, late]).finally(() => clearTimeout(timer));
};

try {
  await within(house.open(), 120, "starting Lacet and the browser");
  const country = await Country.of(house, "demo");
  const tests = [...line, ...edits, ...taste, ...roads, ...places, ...files, ...days, ...sheet].filter((t) =>
    t.name.includes(wanted),
  );
  for (const { name, run, region = "demo", ride, ...screen } of tests) {
    const left = ALL_S - (Date.now() - started) / 1000;
    const begun = Date.now();
    let rider;
    try {
      if (left <= 0) throw new Error(`no time left: all tests together may take ${ALL_S} s`);
      if (!house.regions.includes(region)) skip(`region ${region} needs ../shared/data`);
      const places = region === "demo" ? country.places : ANDORRA;
      rider = await house.rider(region, places, ride && (await country.ride()), screen);
      if (ride) await rider.settled();
      await within(run(rider, country, house), Math.min(TEST_S, left), "the test");
      rider.assertQuiet();
      passed++;
      console.log(`ok    ${name} (${((Date.now() - begun) / 1000).toFixed(1)} s)`);
    } catch (error) {
      if (error instanceof Skip) {
        skipped++;
        console.log(`skip  ${name}: ${error.message}`);
      } else {
        failed++;
        console.log(`FAIL  ${name}\n      ${String(error?.stack ?? error).replaceAll("\n", "\n      ")}`);
        for (const trouble of rider?.troubles ?? []) console.log(`      the page said: ${trouble}`);
      }
    } finally {
      await rider?.leave().catch(() => {});
    }
  }
} catch (error) {
  failed++;
  console.log(`FAIL  ${error?.stack ?? error}`);
} finally {
  await house.close();
}
if (passed + failed === 0) failed = 1;
console.log(`${passed} passed, ${failed} failed${skipped ? `, ${skipped} skipped` : ""}`);
process.exit(failed ? 1 : 0);
