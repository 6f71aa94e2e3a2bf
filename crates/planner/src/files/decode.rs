//! Bytes to text: byte-order marks, encodings declared by XML, and honest guesses.

use std::borrow::Cow;

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// A file's text and, if its encoding had to be guessed, a word about that.
pub struct Decoded<'a> {
    pub text: Cow<'a, str>,
    pub warning: Option<String>,
}

/// Decodes a text file; `Err` says in words what else it seems to be.
pub fn decode(bytes: &[u8]) -> Result<Decoded<'_>, String> {
    let known: [(&[u8], &str); 5] = [
        (b"PK\x03\x04", "it is a zip archive: unpack it first"),
        (b"\x1f\x8b", "it is compressed with gzip: unpack it first"),
        (b"BZh", "it is compressed with bzip2: unpack it first"),
        (b"%PDF", "it is a PDF document"),
        (b"\x89PNG", "it is a picture"),
    ];
    if let Some((_, what)) = known.iter().find(|(magic, _)| bytes.starts_with(magic)) {
        return Err((*what).into());
    }
    if let Some((encoding, mark)) = Encoding::for_bom(bytes) {
        return Ok(in_encoding(encoding, &bytes[mark..], false));
    }
    match bytes {
        [b'<', 0, ..] | [b'{', 0, ..] => return Ok(in_encoding(UTF_16LE, bytes, false)),
        [0, b'<', ..] | [0, b'{', ..] => return Ok(in_encoding(UTF_16BE, bytes, false)),
        _ => {}
    }
    let head = &bytes[..bytes.len().min(1000)];
    if head.contains(&0) {
        return Err("it is not text".into());
    }
    let declared = declared(head);
    let encoding = match declared {
        // The declaration itself was readable byte by byte, so it cannot be 16 bits wide.
        Some(e) if e != UTF_16LE && e != UTF_16BE => e,
        _ => UTF_8,
    };
    Ok(in_encoding(encoding, bytes, true))
}

fn in_encoding<'a>(encoding: &'static Encoding, bytes: &'a [u8], may_guess: bool) -> Decoded<'a> {
    let (text, damaged) = encoding.decode_without_bom_handling(bytes);
    if !damaged {
        return Decoded {
            text,
            warning: None,
        };
    }
    let said = encoding.name();
    if encoding == UTF_8 && may_guess {
        let (text, _) = WINDOWS_1252.decode_without_bom_handling(bytes);
        let warning = "some letters are not UTF-8 and were read as Western European \
                       (windows-1252): check the names"
            .into();
        return Decoded {
            text,
            warning: Some(warning),
        };
    }
    let warning = format!("some letters are not {said} as the file says: check the names");
    Decoded {
        text,
        warning: Some(warning),
    }
}

/// The encoding that an XML declaration names, if it names a known one.
fn declared(head: &[u8]) -> Option<&'static Encoding> {
    let head = head.trim_ascii_start();
    if !head.starts_with(b"<?xml") {
        return None;
    }
    let end = head.iter().position(|&b| b == b'>')?;
    let declaration = std::str::from_utf8(&head[..end]).ok()?;
    let (_, value) = declaration.split_once("encoding")?;
    let value = value.trim_start().strip_prefix('=')?.trim_start();
    let quote = value.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    let label = value[1..].split(quote).next()?;
    Encoding::for_label(label.as_bytes())
}
