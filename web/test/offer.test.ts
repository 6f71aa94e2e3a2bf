import { expect, test } from "vitest";
import { costWords, rideWords } from "../src/tour/offer";
import type { Proposal } from "../src/types/Proposal";

const proposal = {
  sums: { unpaved_m: 0, unknown_surface_m: 200 },
  ride: { winding_m: 12_400, liked_m: 9000, built_up_m: 900, worth: 0.6, twice_m: 0 },
  against: { riding_s: 840, length_m: 6000, winding_m: 9300, liked_m: 4000, worth: 0.2, shared: 0.3 },
  warnings: [],
} as unknown as Proposal;
const plain = (text: string) => text.replaceAll("\u00a0", " ");
const cost = (against: object) =>
  plain(costWords({ ...proposal, against: { ...proposal.against, ...against } } as Proposal, "metric"));

test("a proposal says what it costs and gives", () => {
  expect(cost({})).toBe("+14 min, 9.3 km more winding road");
  expect(cost({ winding_m: -2000 })).toBe("+14 min, 2.0 km less winding road");
  expect(cost({ winding_m: 100 })).toBe("+14 min, 4.0 km more to your taste");
  expect(cost({ winding_m: 100, liked_m: 100, riding_s: 10 })).toBe("no longer");
  expect(cost({ riding_s: -300 })).toBe("5 min shorter, 9.3 km more winding road");
  expect(costWords({ ...proposal, against: null }, "metric")).toBe("");
});

test("a proposal says what there is to ride, and what there is to look at", () => {
  expect(plain(rideWords(proposal, "metric"))).toBe("winding 12 km · to your taste 9.0 km");
  const rough = {
    ...proposal,
    sums: { unpaved_m: 2000, unknown_surface_m: 1000 },
    ride: { ...proposal.ride, twice_m: 1500 },
    warnings: [{}],
  } as unknown as Proposal;
  expect(plain(rideWords(rough, "miles"))).toBe(
    "winding 7.7 mi · to your taste 5.6 mi · unpaved or unknown 1.9 mi · twice 0.9 mi · 1 warning",
  );
});
