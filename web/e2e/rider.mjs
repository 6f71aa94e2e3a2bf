// What a rider does with the page: looks, points, presses, drags, types. Everything goes through the
// browser's own input; `window.lacet` is only read.

import assert from "node:assert/strict";

const RAD = Math.PI / 180;

/** Haversine on the mean radius of IUGG, metres. */
export function distanceM([lat0, lon0], [lat1, lon1]) {
  const h =
    Math.sin(((lat1 - lat0) * RAD) / 2) ** 2 +
    Math.cos(lat0 * RAD) * Math.cos(lat1 * RAD) * Math.sin(((lon1 - lon0) * RAD) / 2) ** 2;
  return 2 * 6_371_008.8 * Math.asin(Math.min(1, Math.sqrt(h)));
}

/** Metres from a place to the nearest point of a line's `lat` and `lon` columns. */
export function offLineM(lines, [lat, lon]) {
  const squeeze = Math.cos(lat * RAD);
  let least = Number.POSITIVE_INFINITY;
  for (const line of lines) {
    for (let i = 0; i + 1 < line.lat.length; i++) {
      const [ax, ay] = [(line.lon[i] - lon) * squeeze, line.lat[i] - lat];
      const [bx, by] = [(line.lon[i + 1] - lon) * squeeze - ax, line.lat[i + 1] - lat - ay];
      const l2 = bx * bx + by * by;
      const share = l2 > 0 ? Math.max(0, Math.min(1, -(ax * bx + ay * by) / l2)) : 0;
      least = Math.min(least, Math.hypot(ax + share * bx, ay + share * by));
    }
  }
  return least * RAD * 6_371_008.8;
}

export class Rider {
  /** What must not happen during a test. */
  troubles = [];
  /** How many plans the server has answered. */
  plans = 0;

  constructor(context, page, url) {
    this.context = context;
    this.page = page;
    this.url = url;
    page.setDefaultTimeout(30_000);
    page.on("pageerror", (e) => this.troubles.push(`script error: ${e.message}`));
    page.on("console", (m) => m.type() === "error" && this.troubles.push(`console: ${m.text()}`));
    page.on("request", (r) => {
      if (!r.url().startsWith(url) && !/^(data|blob):/.test(r.url()))
        this.troubles.push(`asked for ${r.url()}`);
    });
    page.on("response", (r) => {
      if (r.url().endsWith("/api/plan") && r.ok()) this.plans++;
    });
    page.on("websocket", (wire) =>
      wire.on("framereceived", ({ payload }) => {
        if (String(payload).includes('"plan":')) this.plans++;
      }),
    );
  }

  assertQuiet() {
    assert.deepEqual(this.troubles, [], "nothing may go wrong on the page, nothing may leave the machine");
  }

  async leave() {
    // The page says where it stood as it goes, and the next rider's place must come after that.
    await this.page.goto("about:blank");
    await this.context.close();
  }

  /** Loads the page, with a tour of the shelf or without. */
  async goto(tour) {
    await this.page.goto(this.url + (tour ? `#tour=${tour}` : ""));
    await this.page.waitForFunction(() => window.lacet?.map);
  }

  async reload() {
    await this.page.reload();
    await this.page.waitForFunction(() => window.lacet?.map);
  }

  /** Waits until the map has nothing left to draw. */
  async drawn() {
    await this.page.waitForFunction(
      () => window.lacet?.map?.isStyleLoaded() && window.lacet.map.loaded(),
      null,
      {
        timeout: 30_000,
      },
    );
  }

  /** Waits until the plan is that of the tour and the tour is on the shelf. */
  async settled() {
    await this.page.waitForFunction(() => window.lacet.settled());
  }

  tour() {
    return this.page.evaluate(() => window.lacet.tour());
  }
  plan() {
    return this.page.evaluate(() => window.lacet.plan());
  }
  /** The legs' keys once everything is settled. */
  async keys() {
    await this.settled();
    return (await this.plan()).legs.map((leg) => leg.key);
  }

  /** Brings places into the part of the map that nothing covers. */
  async look(places) {
    const narrow = this.page.viewportSize().width < 700;
    const bare = await this.page.evaluate((places) => {
      const { map } = window.lacet;
      const box = map.getCanvas().getBoundingClientRect();
      return places.every(([lat, lon]) => {
        const p = map.project([lon, lat]);
        const on = document.elementFromPoint(p.x + box.left, p.y + box.top);
        return on === map.getCanvas() || on?.matches(".handle");
      });
    }, places);
    if (bare) return this.drawn();
    await this.page.evaluate(
      ([places, narrow]) => {
        const lats = places.map((p) => p[0]);
        const lons = places.map((p) => p[1]);
        window.lacet.map.fitBounds(
          [
            [Math.min(...lons), Math.min(...lats)],
            [Math.max(...lons), Math.max(...lats)],
          ],
          {
            padding: narrow
              ? { top: 130, bottom: 150, left: 40, right: 40 }
              : { top: 110, bottom: 220, left: 90, right: 440 },
            maxZoom: 14,
            duration: 0,
          },
        );
      },
      [places, narrow],
    );
    await this.drawn();
  }

  /** Where a place of the map is in the window, pixels. */
  xy([lat, lon]) {
    return this.page.evaluate(
      ([lat, lon]) => {
        const p = window.lacet.map.project([lon, lat]);
        const box = window.lacet.map.getCanvas().getBoundingClientRect();
        return [p.x + box.left, p.y + box.top];
      },
      [lat, lon],
    );
  }
  /** Which place of the map is at a pixel of the window. */
  place([x, y]) {
    return this.page.evaluate(
      ([x, y]) => {
        const box = window.lacet.map.getCanvas().getBoundingClientRect();
        const { lat, lng } = window.lacet.map.unproject([x - box.left, y - box.top]);
        return [lat, lng];
      },
      [x, y],
    );
  }

  async click(place) {
    await this.page.mouse.click(...(await this.xy(place)));
  }

  /** Press, move, `before` the hand opens, open it. Returns the place it was dropped on. */
  async drag(from, to, before = async () => {}) {
    // A browser tells the page whole pixels only.
    [from, to] = [from.map(Math.round), to.map(Math.round)];
    const { mouse } = this.page;
    await mouse.move(...from);
    await mouse.down();
    const steps = 14;
    for (let i = 1; i <= steps; i++) {
      await mouse.move(from[0] + ((to[0] - from[0]) * i) / steps, from[1] + ((to[1] - from[1]) * i) / steps);
      await this.page.waitForTimeout(30);
    }
    const place = await this.place(to);
    await before(place);
    await mouse.up();
    return place;
  }

  /** Counts what is drawn from now on: frames, and those in which no line of the tour was on the map. */
  async watchLine() {
    await this.page.evaluate(() => {
      const { map } = window.lacet;
      window.frames = { all: 0, bare: 0 };
      map.on("render", () => {
        const layers = ["lacet-line-casing", "lacet-line-live-casing"].filter((id) => map.getLayer(id));
        window.frames.all++;
        if (map.queryRenderedFeatures({ layers }).length === 0) window.frames.bare++;
      });
    });
  }
  frames() {
    return this.page.evaluate(() => window.frames);
  }

  /** A pixel of the line of a leg that can be pressed: nothing lies over it, no other leg near. */
  async onLine(leg) {
    await this.settled();
    // The line on the map is drawn a moment after the plan is there.
    const spot = await this.page.waitForFunction((leg) => {
      const { map } = window.lacet;
      const line = window.lacet.plan().legs[leg].line;
      const canvas = map.getCanvas();
      const box = canvas.getBoundingClientRect();
      const order = [...line.lat.keys()].sort(
        (a, b) => Math.abs(a - line.lat.length / 2) - Math.abs(b - line.lat.length / 2),
      );
      for (const i of order) {
        const p = map.project([line.lon[i], line.lat[i]]);
        const [x, y] = [p.x + box.left, p.y + box.top];
        if (document.elementFromPoint(x, y) !== canvas) continue;
        const hits = map.queryRenderedFeatures([p.x, p.y], {
          layers: ["lacet-line-hit", "lacet-line-live-hit"],
        });
        if (hits.length > 0 && hits.every((h) => h.properties.leg === leg)) return [x, y];
      }
      return undefined;
    }, leg);
    return spot.jsonValue();
  }

  handle(name) {
    return this.page.locator("button.handle").and(this.page.getByRole("button", { name }));
  }
  async middleOf(locator) {
    const box = await locator.boundingBox();
    assert.ok(box, "it must be on the screen");
    return [box.x + box.width / 2, box.y + box.height / 2];
  }

  button(name) {
    return this.page.getByRole("button", { name, exact: true });
  }
  card(name) {
    return this.page.getByRole("region", { name, exact: true });
  }

  get finder() {
    return this.page.getByRole("combobox", { name: /^Find/ });
  }

  /** Types into the finder and takes the first thing found. */
  async find(text, expected = /./) {
    await this.page.keyboard.press("/");
    await this.page.keyboard.type(text);
    await this.page
      .locator("#found")
      .getByRole("option", { selected: true })
      .filter({ hasText: expected })
      .waitFor();
    await this.page.keyboard.press("Enter");
  }

  /** Features the page has given to one of its own map sources. */
  source(id) {
    return this.page.evaluate((id) => window.lacet.map.getSource(id)?.serialize().data.features ?? [], id);
  }
}
