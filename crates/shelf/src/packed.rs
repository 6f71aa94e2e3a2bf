//! Lines and recordings as compact bytes: columns of differences in variable-length integers,
//! pressed by zstd (RFC 8878). 5,000 points of one a second take some 20 kB.

use planner::files::Fix;

/// Edition of the layout, the first byte.
const EDITION: u8 = 1;
/// More than any recording holds; a larger claim is damage.
const MAX_POINTS: usize = planner::files::MAX_ITEMS;
/// Speed before size: what is stored is read far more often than written, but imports are long.
const LEVEL: i32 = 1;

/// Runs of fixes (a run ends where the recorder was off) as bytes. Positions are kept to 1e-7
/// degree, times to the millisecond, heights to the decimetre.
pub fn pack(runs: &[Vec<Fix>]) -> Vec<u8> {
    let count: usize = runs.iter().map(Vec::len).sum();
    let mut raw = Vec::with_capacity(count * 8 + 64);
    put(&mut raw, runs.len() as u64);
    for run in runs {
        put(&mut raw, run.len() as u64);
    }
    let fixes = || runs.iter().flatten();
    column(&mut raw, fixes().map(|f| Some(i64::from(f.point().lat_e7))));
    column(&mut raw, fixes().map(|f| Some(i64::from(f.point().lon_e7))));
    column(
        &mut raw,
        fixes().map(|f| f.time_s.map(|t| (t * 1000.0).round() as i64)),
    );
    let decimetres = |h: f32| (f64::from(h) * 10.0).round() as i64;
    column(&mut raw, fixes().map(|f| f.height_m.map(decimetres)));
    let mut out = vec![EDITION];
    put(&mut out, raw.len() as u64);
    out.extend(press(&raw));
    out
}

/// The runs that were packed; `None` for bytes that are damaged.
pub fn unpack(bytes: &[u8]) -> Option<Vec<Vec<Fix>>> {
    let (&edition, mut rest) = bytes.split_first()?;
    if edition != EDITION {
        return None;
    }
    let len = usize::try_from(take(&mut rest)?).ok()?;
    // Four columns of at most ten bytes a point.
    if len > MAX_POINTS.saturating_mul(44) {
        return None;
    }
    let raw = unpress(rest, len)?;
    let mut raw = raw.as_slice();
    let mut runs = Vec::new();
    let mut total = 0usize;
    for _ in 0..take(&mut raw)? {
        let len = usize::try_from(take(&mut raw)?).ok()?;
        total = total.checked_add(len).filter(|&n| n <= MAX_POINTS)?;
        runs.push(len);
    }
    let lat = column_of(&mut raw, total)?;
    let lon = column_of(&mut raw, total)?;
    let time = column_of(&mut raw, total)?;
    let height = column_of(&mut raw, total)?;
    let mut fixes = lat.iter().zip(&lon).zip(time.iter().zip(&height));
    let mut out = Vec::with_capacity(runs.len());
    for len in runs {
        let mut run = Vec::with_capacity(len);
        for ((lat, lon), (time, height)) in fixes.by_ref().take(len) {
            run.push(Fix {
                lat: (*lat)? as f64 / 1e7,
                lon: (*lon)? as f64 / 1e7,
                time_s: time.map(|t| t as f64 / 1000.0),
                height_m: height.map(|h| (h as f64 / 10.0) as f32),
            });
        }
        out.push(run);
    }
    Some(out)
}

/// Any bytes, pressed; see [`unpress`].
pub fn press(raw: &[u8]) -> Vec<u8> {
    // Pressing into memory fails only without memory.
    zstd::bulk::compress(raw, LEVEL).unwrap_or_default()
}

/// The bytes that were pressed, of which there must be `len`; `None` for damage.
pub fn unpress(bytes: &[u8], len: usize) -> Option<Vec<u8>> {
    let raw = zstd::bulk::decompress(bytes, len).ok()?;
    (raw.len() == len).then_some(raw)
}

/// 0 for a column without any value; 1, then differences, for one without a gap; 2, then a flag
/// before each difference, for others.
fn column(out: &mut Vec<u8>, values: impl Iterator<Item = Option<i64>> + Clone) {
    let known = values.clone().filter(Option::is_some).count();
    let total = values.clone().count();
    let form = match known {
        0 => 0,
        n if n == total => 1,
        _ => 2,
    };
    out.push(form);
    if form == 0 {
        return;
    }
    let mut before = 0i64;
    for value in values {
        if form == 2 {
            out.push(u8::from(value.is_some()));
        }
        if let Some(value) = value {
            put_signed(out, value.wrapping_sub(before));
            before = value;
        }
    }
}

fn column_of(raw: &mut &[u8], len: usize) -> Option<Vec<Option<i64>>> {
    let form = take_byte(raw)?;
    if form == 0 {
        return Some(vec![None; len]);
    }
    let mut out = Vec::with_capacity(len);
    let mut before = 0i64;
    for _ in 0..len {
        if form == 2 && take_byte(raw)? == 0 {
            out.push(None);
            continue;
        }
        before = before.wrapping_add(take_signed(raw)?);
        out.push(Some(before));
    }
    Some(out)
}

fn take_byte(raw: &mut &[u8]) -> Option<u8> {
    let (&byte, rest) = raw.split_first()?;
    *raw = rest;
    Some(byte)
}

/// LEB128: seven bits a byte, lowest first.
pub fn put(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// The number that [`put`] wrote; moves on.
pub fn take(raw: &mut &[u8]) -> Option<u64> {
    let mut value = 0u64;
    for shift in (0..64).step_by(7) {
        let byte = take_byte(raw)?;
        value |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// Small numbers of either sign in few bytes ("zigzag").
pub fn put_signed(out: &mut Vec<u8>, value: i64) {
    put(out, ((value << 1) ^ (value >> 63)).cast_unsigned());
}

/// The number that [`put_signed`] wrote; moves on.
pub fn take_signed(raw: &mut &[u8]) -> Option<i64> {
    let value = take(raw)?;
    Some((value >> 1).cast_signed() ^ -((value & 1).cast_signed()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_packed_comes_back() {
        let fix = |i: i32| Fix {
            lat: f64::from(455_000_000 + i * 137) / 1e7,
            lon: f64::from(-1_799_999_000 - i) / 1e7,
            time_s: (i % 3 > 0).then(|| (1.7e12 + f64::from(i) * 1001.0) / 1000.0),
            height_m: (i % 5 > 0).then_some(i as f32 / 10.0),
        };
        let runs = vec![
            (0..100).map(fix).collect(),
            vec![],
            (200..203).map(fix).collect(),
        ];
        let bytes = pack(&runs);
        assert_eq!(unpack(&bytes).unwrap(), runs);
        assert_eq!(unpack(&pack(&[])).unwrap(), Vec::<Vec<Fix>>::new());
        for cut in 0..bytes.len() {
            assert_eq!(unpack(&bytes[..cut]), None);
        }
        let mut numbers = Vec::new();
        for n in [0, 1, -1, 63, -64, i64::MAX, i64::MIN] {
            numbers.clear();
            put_signed(&mut numbers, n);
            assert_eq!(take_signed(&mut numbers.as_slice()), Some(n));
        }
    }

    #[test]
    fn damage_is_seen_and_never_panics() {
        let runs = vec![vec![
            Fix {
                lat: 1.0,
                lon: 2.0,
                time_s: Some(3.0),
                height_m: None
            };
            50
        ]];
        let bytes = pack(&runs);
        for at in 0..bytes.len() {
            for bit in 0..8 {
                let mut bad = bytes.clone();
                bad[at] ^= 1 << bit;
                let _ = unpack(&bad);
            }
        }
    }
}
