// Places of a region to plan between, chosen by rule: the invented country may be invented anew.

import { distanceM, offLineM } from "./rider.mjs";

export class Country {
  static async of(house, region) {
    const country = new Country();
    country.house = house;
    country.region = region;
    const towns = (await house.get(`regions/${region}/find?q=town&limit=20&lat=0&lon=0`)).filter(
      (p) => p.kind === "town",
    );
    if (towns.length < 3) throw new Error(`${region} has too few towns to plan between`);
    country.towns = towns;
    // The two nearest towns that are a ride apart.
    const pairs = towns
      .flatMap((a, i) => towns.slice(i + 1).map((b) => ({ a, b, m: distanceM(at(a), at(b)) })))
      .filter(({ m }) => m > 7000)
      .sort((p, q) => p.m - q.m);
    for (const { a, b } of pairs) {
      const tour = country.tour([stop(at(a), a.name), stop(at(b), b.name)]);
      const plan = JSON.parse(await house.send("POST", "plan", { tour, have: [] }));
      const bend = await country.#elsewhere(plan.legs.map((leg) => leg.line));
      if (plan.legs.some((leg) => leg.trouble) || !bend) continue;
      [country.from, country.to, country.bend] = [at(a), at(b), bend];
      [country.fromName, country.toName] = [a.name, b.name];
      return country;
    }
    throw new Error(`found no two towns in ${region} with a road between them and another beside it`);
  }

  /** A place on an open road that the line does not use, a few kilometres off it. */
  async #elsewhere(lines) {
    const { house, region } = this;
    const villages = await house.get(`regions/${region}/find?q=village&limit=40&lat=0&lon=0`);
    const near = villages
      .map((p) => ({ p, m: offLineM(lines, at(p)) }))
      .filter(({ m }) => m > 2000 && m < 6000)
      .sort((a, b) => a.m - b.m);
    for (const { p } of near) {
      const road = await house
        .get(`regions/${region}/near?lat=${p.lat}&lon=${p.lon}&radius_m=400`)
        .catch(() => {});
      if (road?.access === "open" && /^(secondary|tertiary|unclassified)$/.test(road.class)) return at(road);
    }
    return undefined;
  }

  tour(points, more = {}) {
    return { format: "lacet-tour-1", name: "", region: this.region, taste: "fastest", points, ...more };
  }

  /** A ride with a via in the middle, on the shelf; its id. */
  async ride(name = "Round the hills") {
    const points = [
      stop(this.from, "Morning"),
      { ...stop(this.bend), kind: "via" },
      stop(this.to, "Evening"),
    ];
    return this.house.shelve(this.tour(points, { name, depart: "2026-06-13T09:00" }));
  }
  /** The places of that ride. */
  get places() {
    return [this.from, this.bend, this.to];
  }
}

export const at = (p) => [p.lat, p.lon];
export const stop = ([lat, lon], name = "") => ({
  kind: "stop",
  lat,
  lon,
  leg: "road",
  ...(name ? { name } : {}),
});
