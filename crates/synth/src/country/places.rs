//! Settlements by name, and what a rider stops for.

use super::curve::Xy;
use super::emit::{Built, Towns};
use super::names::{Names, cyrillic, greek};
use super::random::Dice;
use super::roads::Kind;
use super::sheet::{Sheet, tags};
use super::sites::Rank;
use super::weave::is_main;

/// Places with their population; a few are written in Greek or Cyrillic.
pub(crate) fn settlements(built: &Built, dice: &mut Dice, names: &mut Names, sheet: &mut Sheet) {
    let mut capital = true;
    for (index, site) in built.sites.iter().enumerate() {
        let place = match site.rank {
            Rank::City => "city",
            Rank::Town => "town",
            Rank::Village => "village",
            Rank::Hamlet => "hamlet",
        };
        let name = names.place();
        let mut all = tags(&[("place", place)]);
        let script = if site.rank >= Rank::Village {
            index % 11
        } else {
            0
        };
        match script {
            3 => {
                all.push(("name".into(), greek(&name)));
                all.push(("name:el".into(), greek(&name)));
                all.push(("int_name".into(), name));
            }
            7 => {
                all.push(("name".into(), cyrillic(&name)));
                all.push(("name:sr".into(), cyrillic(&name)));
                all.push(("int_name".into(), name));
            }
            _ => {
                if site.rank <= Rank::Town {
                    all.push(("name:el".into(), greek(&name)));
                    all.push(("name:sr".into(), cyrillic(&name)));
                }
                all.push(("name".into(), name));
            }
        }
        all.push(("population".into(), site.people.to_string()));
        if std::mem::take(&mut capital) {
            all.push(("capital".into(), "yes".into()));
        }
        let at = (
            site.at.0 + dice.between(-9.0, 9.0),
            site.at.1 + dice.between(-9.0, 9.0),
        );
        sheet.node(at, all);
    }
}

/// Fuel, beds, food, camping and viewpoints beside roads.
pub(crate) fn services(
    built: &Built,
    towns: &Towns,
    dice: &mut Dice,
    names: &mut Names,
    sheet: &mut Sheet,
) {
    let roads = built.roads;
    let top_m = built.land.fine_m.iter().fold(0.0f32, |t, &h| t.max(h));
    let high_m = f64::from(top_m) * 0.45;
    // Spots 22 m beside the road, by settlement; and those in open country.
    let mut inside: Vec<Vec<Xy>> = vec![Vec::new(); built.sites.len()];
    let (mut open, mut high) = (Vec::new(), Vec::new());
    for line in roads
        .lines
        .iter()
        .filter(|l| l.kind > Kind::Link && l.kind < Kind::Service)
    {
        let xy = roads.xy(line);
        for k in (1..xy.len()).step_by(3) {
            let (a, b) = (xy[k - 1], xy[k]);
            let length_m = (b.0 - a.0).hypot(b.1 - a.1).max(0.1);
            let (ux, uy) = ((b.0 - a.0) / length_m, (b.1 - a.1) / length_m);
            let spot = ((a.0 + b.0) / 2.0 + uy * 22.0, (a.1 + b.1) / 2.0 - ux * 22.0);
            if built.land.is_wet(spot) {
                continue;
            }
            match towns.at(spot) {
                Some(site) => inside[site].push(spot),
                None if built.land.height_at(spot) > high_m => high.push(spot),
                None if is_main(line) => open.push(spot),
                None => {}
            }
        }
    }
    let mut put = |at: Xy, kind: (&str, &str), pattern: &str, dice: &mut Dice, hours: &[&str]| {
        let mut all = tags(&[kind]);
        if !pattern.is_empty() {
            all.push(("name".into(), names.with(pattern)));
        }
        if !hours.is_empty() && dice.chance(0.5) {
            all.push(("opening_hours".into(), (*dice.pick(hours)).to_owned()));
        }
        sheet.node(at, all);
    };
    let fuel_hours = [
        "24/7",
        "Mo-Sa 06:00-22:00; Su 08:00-20:00",
        "Mo-Fr 07:00-19:00; Sa 08:00-13:00",
    ];
    let food_hours = ["Tu-Su 11:30-14:30,18:00-22:00", "Mo-Su 10:00-23:00"];
    for (index, spots) in inside.iter().enumerate() {
        if spots.is_empty() {
            continue;
        }
        let plan: [(usize, f64); 5] = match built.sites[index].rank {
            Rank::City => [(9, 1.0), (14, 1.0), (8, 1.0), (30, 1.0), (1, 1.0)],
            Rank::Town => [(3, 1.0), (4, 1.0), (3, 1.0), (8, 1.0), (1, 0.7)],
            Rank::Village => [(1, 0.4), (1, 0.5), (1, 0.6), (2, 0.7), (1, 0.2)],
            Rank::Hamlet => [(1, 0.03), (0, 0.0), (1, 0.2), (1, 0.15), (1, 0.1)],
        };
        let kinds = [
            ("amenity", "fuel"),
            ("tourism", "hotel"),
            ("tourism", "guest_house"),
            ("amenity", "restaurant"),
            ("tourism", "camp_site"),
        ];
        for ((count, chance), kind) in plan.into_iter().zip(kinds) {
            for _ in 0..count {
                if !dice.chance(chance) {
                    continue;
                }
                let at = *dice.pick(spots);
                let cafe = kind.1 == "restaurant" && dice.chance(0.4);
                let kind = if cafe { ("amenity", "cafe") } else { kind };
                let (pattern, hours): (&str, &[&str]) = match kind.1 {
                    "fuel" => ("", &fuel_hours),
                    "camp_site" => ("Celd %", &[]),
                    "restaurant" | "cafe" => ("Oste %", &food_hours),
                    _ => ("Alberd %", &[]),
                };
                put(at, kind, pattern, dice, hours);
            }
        }
    }
    let some = |spots: &[Xy], each: usize| spots.len() / each + usize::from(!spots.is_empty());
    for _ in 0..some(&open, 900) {
        put(
            *dice.pick(&open),
            ("amenity", "fuel"),
            "",
            dice,
            &fuel_hours,
        );
        put(
            *dice.pick(&open),
            ("amenity", "restaurant"),
            "Oste %",
            dice,
            &food_hours,
        );
        put(
            *dice.pick(&open),
            ("tourism", "camp_site"),
            "Celd %",
            dice,
            &[],
        );
    }
    for _ in 0..some(&high, 120) {
        put(
            *dice.pick(&high),
            ("tourism", "viewpoint"),
            "Vir %",
            dice,
            &[],
        );
    }
    for point in roads.pass_points.iter().flatten() {
        let at = roads.points[*point as usize];
        put(
            (at.0 + 25.0, at.1 + 8.0),
            ("tourism", "viewpoint"),
            "",
            dice,
            &[],
        );
        put(
            (at.0 - 24.0, at.1 + 12.0),
            ("amenity", "cafe"),
            "Oste %",
            dice,
            &food_hours,
        );
        put(
            (at.0 - 30.0, at.1 - 12.0),
            ("amenity", "parking"),
            "",
            dice,
            &[],
        );
    }
}
