// What is kept, and what happens when two browsers change it at once.

import assert from "node:assert/strict";

const where = (tour) => tour.points.map((p) => [p.lat, p.lon, p.name ?? ""]);

/** Two browsers on one tour; each moves the last stop another way, the second without having seen it. */
async function collide(rider, country, house) {
  const id = await country.ride("Ridden by two");
  await rider.goto(id);
  await rider.reload();
  const other = await house.rider("demo", country.places, id, {});
  try {
    await rider.settled();
    await other.settled();
    await other.look(country.places);
    await rider.look(country.places);
    const before = await rider.tour();
    assert.deepEqual(where(await other.tour()), where(before));
    await rider.handle(/^Stop 2/).focus();
    await rider.page.keyboard.press("ArrowRight");
    await rider.settled();
    const mine = await rider.tour();
    assert.notDeepEqual(where(mine), where(before));
    await other.handle(/^Stop 2/).focus();
    await other.page.keyboard.press("ArrowUp");
    await other.page.getByRole("alert").filter({ hasText: "changed elsewhere" }).waitFor();
    // Nothing is overwritten before the rider has chosen.
    assert.deepEqual(where((await house.get(`tours/${id}`)).tour), where(mine));
    const theirs = await other.tour();
    assert.notDeepEqual(where(theirs), where(mine));
    return { id, other, mine, theirs };
  } catch (error) {
    await other.leave();
    throw error;
  }
}

/** The refused save is told on the console by the browser itself. */
const forgive = (rider) => {
  rider.troubles = rider.troubles.filter((t) => !/409/.test(t));
};

export const shelf = [
  {
    name: "two browsers change one tour at once: both are kept",
    run: async (rider, country, house) => {
      const { id, other, mine, theirs } = await collide(rider, country, house);
      try {
        await other.button("Both").click();
        await other.settled();
        const kept = await house.get(`tours/${id}`);
        assert.deepEqual(where(kept.tour), where(mine));
        const rest = (await house.get("tours")).filter((t) => t.name === "Ridden by two" && t.id !== id);
        assert.equal(rest.length, 1, "the other one is a tour of its own");
        assert.deepEqual(where((await house.get(`tours/${rest[0].id}`)).tour), where(theirs));
        forgive(other);
        other.assertQuiet();
        for (const t of [id, rest[0].id]) await house.send("DELETE", `tours/${t}`);
      } finally {
        await other.leave();
      }
    },
  },
  {
    name: "two browsers change one tour at once: the later takes the other one's",
    run: async (rider, country, house) => {
      const { id, other, mine } = await collide(rider, country, house);
      try {
        await other.button("The other one").click();
        await other.settled();
        assert.deepEqual(where(await other.tour()), where(mine));
        assert.deepEqual(where((await house.get(`tours/${id}`)).tour), where(mine));
        // From now on it goes on from there.
        await other.handle(/^Stop 2/).focus();
        await other.page.keyboard.press("ArrowUp");
        await other.settled();
        assert.notDeepEqual(where((await house.get(`tours/${id}`)).tour), where(mine));
        forgive(other);
        other.assertQuiet();
        await house.send("DELETE", `tours/${id}`);
      } finally {
        await other.leave();
      }
    },
  },
];
