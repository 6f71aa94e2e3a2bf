//! Times of files: RFC 3339, and what XML Schema's `dateTime` allows beyond it.

/// Seconds since 1970-01-01T00:00:00Z, to the millisecond. A time without a zone counts as UTC,
/// as GPX says all its times are. `None` for anything that is no time.
pub fn parse_time(text: &str) -> Option<f64> {
    let text = text.trim();
    let (date, rest) = text.split_once(['T', 't', ' '])?;
    let mut date = date.splitn(3, '-');
    let year = digits(date.next()?, 4)?;
    let month = digits(date.next()?, 2)?;
    let day = digits(date.next()?, 2)?;

    let zone_at = rest.find(['Z', 'z', '+', '-']).unwrap_or(rest.len());
    let (clock, zone) = rest.split_at(zone_at);
    let offset_s = zone_s(zone)?;
    let mut clock = clock.splitn(3, ':');
    let hour = digits(clock.next()?, 2)?;
    let minute = digits(clock.next()?, 2)?;
    let seconds = clock.next()?;
    let (whole, fraction) = seconds.split_once('.').unwrap_or((seconds, "0"));
    let second = digits(whole, 2)?;
    if fraction.is_empty() || !fraction.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let millis = format!("0.{fraction}").parse::<f64>().ok()? * 1000.0;

    let midnight = hour == 24 && minute == 0 && second == 0;
    let sound = (1..=12).contains(&month)
        && (1..=days_in_month(year, month)).contains(&day)
        && (hour < 24 || midnight)
        && minute < 60
        && second <= 60;
    if !sound {
        return None;
    }
    let whole_s = days_from_civil(year, month, day) * 86_400 + hour * 3600 + minute * 60 + second;
    Some(((whole_s - offset_s) * 1000 + millis.round() as i64) as f64 / 1000.0)
}

/// RFC 3339 in UTC, with milliseconds only where there are any; `None` outside years 1..=9999.
pub fn format_time(time_s: f64) -> Option<String> {
    let millis = (time_s * 1000.0).round();
    if !(-62_135_596_800_000.0..253_402_300_800_000.0).contains(&millis) {
        return None;
    }
    let millis = millis as i64;
    let (days, in_day) = (millis.div_euclid(86_400_000), millis.rem_euclid(86_400_000));
    let (year, month, day) = civil_from_days(days);
    let (second, fraction) = (in_day / 1000, in_day % 1000);
    let (h, m, s) = (second / 3600, second / 60 % 60, second % 60);
    let fraction = if fraction == 0 {
        String::new()
    } else {
        format!(".{fraction:03}")
    };
    Some(format!(
        "{year:04}-{month:02}-{day:02}T{h:02}:{m:02}:{s:02}{fraction}Z"
    ))
}

/// `Z`, `+HH:MM`, `-HHMM` or nothing, as seconds east of Greenwich.
fn zone_s(zone: &str) -> Option<i64> {
    let sign = match zone.as_bytes() {
        [] | [b'Z' | b'z'] => return Some(0),
        [b'+', ..] => 1,
        [b'-', ..] => -1,
        _ => return None,
    };
    let body = &zone[1..];
    let (hours, minutes) = match (body.split_once(':'), body.len()) {
        (Some(pair), _) => pair,
        (None, 4) if body.is_ascii() => body.split_at(2),
        (None, _) => (body, "00"),
    };
    let (hours, minutes) = (digits(hours, 2)?, digits(minutes, 2)?);
    (hours <= 14 && minutes < 60).then_some(sign * (hours * 3600 + minutes * 60))
}

fn digits(text: &str, count: usize) -> Option<i64> {
    let plain = text.len() == count && text.bytes().all(|b| b.is_ascii_digit());
    if plain { text.parse().ok() } else { None }
}

fn days_in_month(year: i64, month: i64) -> i64 {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

/// Days since 1970-01-01 in the proleptic Gregorian calendar: whole 400-year cycles of 146,097
/// days, years that begin in March so that the leap day comes last.
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let (cycle, year_of_cycle) = (year.div_euclid(400), year.rem_euclid(400));
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_cycle = year_of_cycle * 365 + year_of_cycle / 4 - year_of_cycle / 100 + day_of_year;
    cycle * 146_097 + day_of_cycle - 719_468
}

/// The inverse of [`days_from_civil`].
fn civil_from_days(days: i64) -> (i64, i64, i64) {
    let days = days + 719_468;
    let (cycle, day) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year_of_cycle = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day_of_year = day - (365 * year_of_cycle + year_of_cycle / 4 - year_of_cycle / 100);
    let march_month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * march_month + 2) / 5 + 1;
    let month = if march_month < 10 {
        march_month + 3
    } else {
        march_month - 9
    };
    (
        cycle * 400 + year_of_cycle + i64::from(month <= 2),
        month,
        day,
    )
}
