import { describe, expect, it } from "vitest";
import * as tastes from "../src/tour/taste";
import type { Taste } from "../src/types/Taste";

const plain: Taste = {
  name: "fastest",
  text: "the shortest riding time",
  counts: "time",
  bends: 0,
  hills: 0,
  quiet: 0,
  surroundings: 0,
  longer_min: 0,
  surface: { accept: "anything", seek_unpaved: 0 },
  motorways: "use",
  tolls: "use",
  ferries: "use",
  unverified: "ends",
};
const winding: Taste = { ...plain, name: "winding", text: "", bends: 1, hills: 0.4, longer_min: 12 };
const builtIn = [plain, winding];

describe("a tour's taste", () => {
  it("stands by its name as long as no dial was turned", () => {
    expect(tastes.wholeOf("winding", builtIn)).toBe(winding);
    expect(tastes.choiceOf(winding, builtIn)).toBe("winding");
    const mine = tastes.turned(winding, { quiet: 0.5 });
    expect(mine).toMatchObject({ name: tastes.OWN, bends: 1, quiet: 0.5 });
    expect(winding.quiet).toBe(0);
    expect(tastes.choiceOf(mine, builtIn)).toBe(mine);
    expect(tastes.wholeOf(mine, builtIn)).toBe(mine);
  });

  it("is not the built-in one that only shares its name", () => {
    const other = { ...winding, quiet: 1 };
    expect(tastes.choiceOf(other, builtIn)).toBe(other);
  });

  it("counts time again once a dial is turned", () => {
    const shortest: Taste = { ...plain, name: "shortest", counts: "length" };
    expect(tastes.turned(shortest, { bends: 1, longer_min: 5 }).counts).toBe("time");
  });

  it("is equal by its dials, in whatever order they come", () => {
    const { surface, ...rest } = winding;
    const shuffled = {
      surface: { seek_unpaved: surface.seek_unpaved, accept: surface.accept },
      ...rest,
    } as Taste;
    expect(tastes.sameDials({ ...shuffled, name: "x", text: "y" }, winding)).toBe(true);
    expect(tastes.sameDials({ ...shuffled, tolls: "never" }, winding)).toBe(false);
  });
});

describe("what roads are shaded by", () => {
  it("is nothing where a taste asks for no roads", () => {
    expect(tastes.shadingKey(plain, builtIn)).toBeUndefined();
    expect(tastes.asksForRoads({ ...winding, longer_min: 0 })).toBe(false);
    expect(tastes.asksForRoads({ ...winding, counts: "length" })).toBe(false);
    expect(
      tastes.asksForRoads({ ...plain, longer_min: 5, surface: { accept: "gravel", seek_unpaved: 1 } }),
    ).toBe(true);
  });
  it("does not change with the price, nor with the name", () => {
    expect(tastes.shadingKey(winding, builtIn)).toBe("winding");
    const key = (change: Partial<Taste>) => tastes.shadingKey({ ...winding, quiet: 1, ...change }, builtIn);
    expect(key({ longer_min: 3, name: "a" })).toBe(key({ longer_min: 30, name: "b" }));
    expect(key({ quiet: 0.5 })).not.toBe(key({}));
    expect(JSON.parse(key({}) as string)).toMatchObject({ bends: 1, quiet: 1 });
  });
});

describe("what a taste cost", () => {
  const others = {
    unpaved_m: 8000,
    unpaved_m_fastest: 0,
    liked_m: 30_000,
    liked_m_fastest: 21_000,
    dull_s: 0,
    dull_s_fastest: 0,
  };
  const price = {
    extra_s: 38 * 60 + 10,
    extra_m: 9000,
    winding_m: 61_200,
    winding_m_fastest: 9100,
    ...others,
  };
  const words = (change: Partial<typeof price>, units: "metric" | "miles" = "metric") =>
    tastes.priceWords({ ...price, ...change }, winding, units)?.replaceAll("\u00a0", " ");
  it("is one line with the unit said once", () => {
    expect(words({ winding_m_fastest: 12_000 })).toBe("+38 min for 61 km of winding road instead of 12");
    expect(words({})).toBe("+38 min for 61 km of winding road instead of 9");
    expect(words({ winding_m_fastest: 0 })).toBe("+38 min for 61 km of winding road instead of none");
    expect(words({ winding_m_fastest: 400 })).toBe("+38 min for 61 km of winding road instead of 400 m");
    expect(words({ extra_s: 3900, winding_m_fastest: 12_000 }, "miles")).toBe(
      "+1 h 05 for 38 mi of winding road instead of 7",
    );
  });
  it("tells what the taste rides longer for", () => {
    const gained = (taste: Taste) => tastes.priceWords(price, taste, "metric")?.replaceAll("\u00a0", " ");
    expect(gained({ ...winding, bends: 0.2, quiet: 1 })).toBe(
      "+38 min for 30 km of road to this taste instead of 21",
    );
    const dirt = { ...winding, bends: 0.5, surface: { accept: "anything" as const, seek_unpaved: 1 } };
    expect(gained(dirt)).toBe("+38 min for 8.0 km of unpaved road instead of none");
  });
  it("does not boast of what is the same", () => {
    expect(words({ winding_m_fastest: 61_000 })).toBe("+38 min against the fastest");
    expect(words({ extra_s: 10, winding_m_fastest: 61_000 })).toBe("No longer than the fastest");
    expect(words({ extra_s: -5, winding_m_fastest: 12_000 })).toBe(
      "No longer than the fastest, 61 km of winding road instead of 12",
    );
    expect(tastes.priceWords(undefined, winding, "metric")).toBeUndefined();
  });
});

it("says what a taste asks for", () => {
  expect(tastes.summary(plain)).toBe("");
  expect(tastes.summary({ ...winding, motorways: "never" }).replaceAll("\u00a0", " ")).toBe(
    "bends, hills · up to 12 min longer for ten · never motorways",
  );
});
