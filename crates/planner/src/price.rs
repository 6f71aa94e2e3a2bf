//! What a taste costs against the fastest way through the same points, and what it gives.

use region::{Region, RoadClass, flag};

use crate::Planner;
use crate::line::{LegLine, Part};
use crate::plan::TastePrice;
use crate::taste::Taste;

/// From this bend rate on a road is called winding, degrees per kilometre: 150 gon/km, where the
/// upper two of the four classes of the German capacity manual (HBS) begin, from memory.
pub const WINDING_DEG_PER_KM: f64 = 135.0;
/// Half the length of road over which its bend rate is looked at, metres (common practice).
const WINDOW_M: f64 = 250.0;
/// Worth of a road, in 255ths, from which it is to the rider's taste.
const LIKED: u8 = 128;

/// Metres of a line that wind, built-up areas and ferries left aside. The bend rate counts that the
/// road has within [`WINDOW_M`] either way of the middle of each part, so that a lone corner
/// between two junctions makes no winding road.
pub(crate) fn winding_m(region: &Region, parts: &[Part]) -> f64 {
    let piece = |part: &Part| part.edge.piece() as usize;
    let mut turning = vec![0.0];
    for part in parts {
        let p = piece(part);
        // A roundabout is a junction, not a winding road.
        let counts = region.piece_flags()[p] & flag::ROUNDABOUT == 0
            && region.class(p as u32) != RoadClass::Ferry;
        let rate = if counts {
            f64::from(region.piece_bend_deg_per_km()[p])
        } else {
            0.0
        };
        turning.push(turning[turning.len() - 1] + rate * (part.to_m - part.from_m) / 1000.0);
    }
    let end_m = parts.last().map_or(0.0, |p| p.to_m);
    let turning_at = |m: f64| {
        let i = parts.partition_point(|p| p.to_m < m).min(parts.len() - 1);
        let (part, length_m) = (&parts[i], parts[i].to_m - parts[i].from_m);
        let share = if length_m > 0.0 {
            ((m - part.from_m) / length_m).clamp(0.0, 1.0)
        } else {
            0.0
        };
        turning[i] + share * (turning[i + 1] - turning[i])
    };
    parts
        .iter()
        .map(|part| {
            let middle_m = (part.from_m + part.to_m) / 2.0;
            let from_m = (middle_m - WINDOW_M).min(part.from_m).max(0.0);
            let to_m = (middle_m + WINDOW_M).max(part.to_m).min(end_m);
            let rate = (turning_at(to_m) - turning_at(from_m)) * 1000.0 / (to_m - from_m).max(1.0);
            if rate < WINDING_DEG_PER_KM || region.class(part.edge.piece()) == RoadClass::Ferry {
                return 0.0;
            }
            let built_up = f64::from(region.piece_built_up()[piece(part)]) / 255.0;
            (part.to_m - part.from_m) * (1.0 - built_up)
        })
        .sum()
}

impl Planner {
    /// Compares a tour's legs with those of the fastest way.
    pub(crate) fn taste_price<'a>(
        &self,
        taste: &Taste,
        legs: impl Iterator<Item = &'a LegLine>,
        fastest: impl Iterator<Item = &'a LegLine>,
    ) -> TastePrice {
        let shade = self.shade(taste);
        let sum = |legs: &mut dyn Iterator<Item = &LegLine>| {
            let mut sum = [0.0; 6];
            for leg in legs {
                let (mut liked_m, mut good_s) = (0.0, 0.0);
                for (&[m, s], &state) in leg
                    .ridden
                    .iter()
                    .zip(leg.way.iter().flat_map(|w| &w.states))
                {
                    let worth = shade[self.edge(state).piece() as usize];
                    liked_m += if worth >= LIKED { m } else { 0.0 };
                    good_s += s * f64::from(worth) / 255.0;
                }
                let riding_s = leg.sums.riding_s;
                let of_leg = [
                    riding_s,
                    leg.sums.length_m,
                    riding_s - good_s,
                    leg.winding_m,
                    leg.sums.unpaved_m,
                    liked_m,
                ];
                sum.iter_mut().zip(of_leg).for_each(|(s, l)| *s += l);
            }
            sum
        };
        let mut legs = legs;
        let mut fastest = fastest;
        let [s, m, dull_s, winding_m, unpaved_m, liked_m] = sum(&mut legs);
        let [
            fastest_s,
            fastest_m,
            dull_s_fastest,
            winding_m_fastest,
            unpaved_m_fastest,
            liked_m_fastest,
        ] = sum(&mut fastest);
        TastePrice {
            extra_s: s - fastest_s,
            extra_m: m - fastest_m,
            dull_s,
            dull_s_fastest,
            winding_m,
            winding_m_fastest,
            unpaved_m,
            unpaved_m_fastest,
            liked_m,
            liked_m_fastest,
        }
    }
}
