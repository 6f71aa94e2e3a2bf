//! XML as the readers need it: elements and text, with lines, limits and no entities.

use std::borrow::Cow;

use quick_xml::NsReader;
use quick_xml::escape::unescape;
use quick_xml::events::{BytesStart, Event};
use quick_xml::name::ResolveResult;

use super::{MAX_DEPTH, ReadError};

/// Most attributes looked at in one element.
pub const MAX_ATTRIBUTES: usize = 256;

/// A reader over one document's text.
pub struct Xml<'a> {
    name: String,
    text: &'a str,
    reader: NsReader<&'a [u8]>,
    /// Where the elements that are open now begin.
    open: Vec<usize>,
    /// Where the last piece begins.
    at: usize,
    home: Home,
    /// A position whose line is known, so that lines are counted once.
    known: (usize, usize),
}

/// What the document is made of, comments and instructions left out.
pub enum Piece<'a> {
    /// An element begins.
    Open(Tag<'a>),
    /// The innermost open element ends.
    Close,
    /// Text, references resolved.
    Text(Cow<'a, str>),
    /// The document is over, all elements closed.
    End,
}

/// The start of an element.
pub struct Tag<'a> {
    start: BytesStart<'a>,
    /// In the vocabulary of the outermost element, so not an extension.
    pub home: bool,
    /// Whether its vocabulary has a name; an undeclared prefix gives none.
    pub space: Space,
}

/// What is known about the namespace of an element.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Space {
    /// It has one.
    Named,
    /// It has none.
    Absent,
    /// Its prefix is declared nowhere.
    Undeclared,
}

/// The namespace of the outermost element.
#[derive(PartialEq)]
enum Home {
    Unset,
    Bound(String),
    Unbound,
    Undeclared(String),
}

impl Home {
    fn of(resolved: &ResolveResult) -> Self {
        match resolved {
            ResolveResult::Bound(ns) => Home::Bound(ns.into_inner().into()),
            ResolveResult::Unbound => Home::Unbound,
            ResolveResult::Unknown(prefix) => Home::Undeclared(prefix.clone()),
        }
    }

    fn has(&self, resolved: &ResolveResult) -> bool {
        match (self, resolved) {
            (Home::Bound(home), ResolveResult::Bound(ns)) => home == ns.into_inner(),
            (Home::Unbound, ResolveResult::Unbound) => true,
            (Home::Undeclared(home), ResolveResult::Unknown(prefix)) => home == prefix,
            _ => false,
        }
    }
}

impl Tag<'_> {
    /// Name without its prefix.
    pub fn local(&self) -> &str {
        self.start.local_name().into_inner()
    }

    /// Name as written.
    pub fn written(&self) -> &str {
        self.start.name().into_inner()
    }

    /// Value of an attribute without a prefix.
    pub fn attribute(&self, key: &str) -> Option<Cow<'_, str>> {
        // Without the duplicate check, which would take quadratic time on hostile input.
        let mut all = self.start.attributes();
        let all = all.with_checks(false).take(MAX_ATTRIBUTES);
        let found = all.flatten().find(|a| a.key.into_inner() == key)?;
        let value = match found.value {
            Cow::Borrowed(v) => unescape(v).ok()?.into_owned(),
            Cow::Owned(v) => unescape(&v).ok()?.into_owned(),
        };
        Some(Cow::Owned(value))
    }

    /// Attributes `(name as written, value)`, or what is wrong with one of them.
    pub fn attributes(&self) -> Result<Vec<(String, String)>, String> {
        let mut all = Vec::new();
        for attribute in self.start.attributes().with_checks(false) {
            let attribute = attribute.map_err(|_| "an attribute is malformed".to_string())?;
            let key = attribute.key.into_inner().to_string();
            if attribute.value.contains('<') {
                return Err(format!("attribute {key} contains <"));
            }
            let value = unescape(&attribute.value)
                .map_err(|_| format!("attribute {key} has a reference that means nothing"))?;
            if all.iter().any(|(k, _)| *k == key) {
                return Err(format!("attribute {key} is there twice"));
            }
            if all.len() == MAX_ATTRIBUTES {
                return Err("an element has too many attributes".into());
            }
            all.push((key, value.into_owned()));
        }
        Ok(all)
    }
}

impl<'a> Xml<'a> {
    /// Opens a document and reads its outermost element.
    pub fn open(name: &str, text: &'a str) -> Result<(Self, Tag<'a>), ReadError> {
        let skipped = text.len() - text.trim_start().len();
        let mut reader = NsReader::from_str(&text[skipped..]);
        let config = reader.config_mut();
        config.expand_empty_elements = true;
        config.allow_dangling_amp = true;
        let mut xml = Xml {
            name: name.into(),
            text,
            reader,
            open: Vec::new(),
            at: 0,
            home: Home::Unset,
            known: (0, 1),
        };
        // Lines are counted in the whole text, positions in the trimmed one.
        xml.known.1 += text[..skipped].bytes().filter(|&b| b == b'\n').count();
        xml.text = &text[skipped..];
        loop {
            match xml.next()? {
                Piece::Open(tag) => return Ok((xml, tag)),
                Piece::End => return Err(xml.broken("it has no element at all")),
                Piece::Text(t) if t.trim().is_empty() => {}
                _ => return Err(xml.broken("there is text before the first element")),
            }
        }
    }

    /// Refuses what the readers let pass: a bare `&`, `--` within comments.
    pub fn be_strict(&mut self) {
        self.reader.config_mut().allow_dangling_amp = false;
        self.reader.config_mut().check_comments = true;
    }

    /// The next piece; `End` for ever once the document is over.
    pub fn next(&mut self) -> Result<Piece<'a>, ReadError> {
        loop {
            self.at = self.reader.buffer_position() as usize;
            let event = self.reader.read_event().map_err(|e| self.damaged(&e))?;
            match event {
                Event::Start(start) => return self.opened(start).map(Piece::Open),
                Event::End(_) => {
                    self.open.pop();
                    return Ok(Piece::Close);
                }
                Event::Text(t) => return Ok(Piece::Text(t.into_inner())),
                Event::CData(t) => return Ok(Piece::Text(t.into_inner())),
                Event::GeneralRef(r) => return self.reference(&r).map(Piece::Text),
                Event::DocType(d) => {
                    let declared = d.trim_start().get(..4).unwrap_or("");
                    if declared.eq_ignore_ascii_case("html") && !d.contains('[') {
                        return Err(ReadError::WebPage {
                            name: self.name.clone(),
                        });
                    }
                    return Err(self.broken(
                        "it brings a document type definition (<!DOCTYPE>), which is refused for \
                         safety: remove that part",
                    ));
                }
                Event::Eof => match self.open.last() {
                    None => return Ok(Piece::End),
                    Some(&start) => {
                        let name = self.name_at(start);
                        return Err(self.broken(&format!(
                            "the file breaks off inside <{name}>: save or fetch it again"
                        )));
                    }
                },
                // With empty elements expanded, `Empty` does not occur.
                Event::Empty(_) | Event::Comment(_) | Event::Decl(_) | Event::PI(_) => {}
            }
        }
    }

    fn opened(&mut self, start: BytesStart<'a>) -> Result<Tag<'a>, ReadError> {
        if self.open.len() >= MAX_DEPTH {
            return Err(self.broken(&format!("elements are nested more than {MAX_DEPTH} deep")));
        }
        self.open.push(self.at);
        let name = start.name();
        let resolved = self.reader.resolver().resolve_prefix(name.prefix(), true);
        if self.home == Home::Unset {
            self.home = Home::of(&resolved);
        }
        let home = self.home.has(&resolved);
        let space = match resolved {
            ResolveResult::Bound(_) => Space::Named,
            ResolveResult::Unbound => Space::Absent,
            ResolveResult::Unknown(_) => Space::Undeclared,
        };
        Ok(Tag { start, home, space })
    }

    fn reference(
        &self,
        reference: &quick_xml::events::BytesRef,
    ) -> Result<Cow<'a, str>, ReadError> {
        match reference.resolve_char_ref() {
            Ok(Some(c)) => return Ok(Cow::Owned(c.to_string())),
            Err(_) => return Err(self.broken("a character reference means nothing")),
            Ok(None) => {}
        }
        let name: &str = reference;
        match quick_xml::escape::resolve_xml_entity(name) {
            Some(text) => Ok(Cow::Borrowed(text)),
            None => {
                let name = super::names::shown(name);
                Err(self.broken(&format!("the entity &{name}; means nothing in this file")))
            }
        }
    }

    /// Reads on to the end of the element just opened, ignoring what is in it.
    pub fn skip(&mut self) -> Result<(), ReadError> {
        let outside = self.open.len().saturating_sub(1);
        while self.open.len() > outside {
            self.next()?;
        }
        Ok(())
    }

    /// The text of the element just opened, trimmed, without control characters; reads to its end.
    /// Text of elements within it is left out.
    pub fn text(&mut self) -> Result<String, ReadError> {
        let inside = self.open.len();
        let mut text = String::new();
        while self.open.len() >= inside {
            if let Piece::Text(t) = self.next()?
                && self.open.len() == inside
            {
                text.push_str(&t);
            }
        }
        Ok(clean(&text))
    }

    /// Namespace of the outermost element.
    pub fn namespace(&self) -> Option<&str> {
        match &self.home {
            Home::Bound(ns) => Some(ns),
            _ => None,
        }
    }

    /// Line of the last piece, from 1.
    pub fn line(&mut self) -> usize {
        self.known = (self.at, self.line_at(self.at));
        self.known.1
    }

    /// The refusal of the document at the last piece.
    pub fn broken(&self, what: &str) -> ReadError {
        self.broken_at(self.at, what)
    }

    fn broken_at(&self, at: usize, what: &str) -> ReadError {
        ReadError::Broken {
            name: self.name.clone(),
            line: self.line_at(at),
            what: what.into(),
        }
    }

    fn line_at(&self, at: usize) -> usize {
        let (from, line) = if at >= self.known.0 {
            self.known
        } else {
            (0, 1)
        };
        let end = at.min(self.text.len());
        line + self.text.as_bytes()[from..end]
            .iter()
            .filter(|&&b| b == b'\n')
            .count()
    }

    fn name_at(&self, start: usize) -> String {
        let from = self.text.get(start + 1..).unwrap_or("");
        let end = |c: char| c.is_whitespace() || matches!(c, '>' | '/' | '<');
        super::names::shown(from.split(end).next().unwrap_or(""))
    }

    fn damaged(&self, error: &quick_xml::Error) -> ReadError {
        use quick_xml::Error;
        use quick_xml::errors::IllFormedError;
        let at = self.reader.error_position() as usize;
        let what = match error {
            Error::Syntax(_) | Error::IllFormed(IllFormedError::UnclosedReference) => {
                match self.open.last().map(|&start| self.name_at(start)) {
                    Some(name) => {
                        format!("the file breaks off inside <{name}>: save or fetch it again")
                    }
                    None => "the file breaks off: save or fetch it again".into(),
                }
            }
            Error::IllFormed(IllFormedError::MismatchedEndTag { expected, found }) => {
                let (expected, found) = (super::names::shown(expected), super::names::shown(found));
                format!("</{found}> stands where </{expected}> should")
            }
            other => format!(
                "not well-formed XML: {}",
                super::names::shown(&other.to_string())
            ),
        };
        self.broken_at(at, &what)
    }
}

/// Text without surrounding blanks, with plain line ends and no control characters.
pub fn clean(text: &str) -> String {
    let plain = text.replace("\r\n", "\n").replace('\r', "\n");
    let kept = |c: &char| !c.is_control() || matches!(c, '\n' | '\t');
    plain
        .trim()
        .chars()
        .filter(kept)
        .filter(|&c| c != '\u{fffe}' && c != '\u{ffff}')
        .collect()
}

/// Appends text to XML: markup escaped, characters that XML 1.0 forbids left out.
pub fn push_escaped(out: &mut String, text: &str) {
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' | '\t' => out.push(c),
            '\u{fffe}' | '\u{ffff}' => {}
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
}

/// Appends `<name>text</name>` on a line of its own, unless the text is empty.
pub fn push_element(out: &mut String, indent: &str, name: &str, text: &str) {
    if text.is_empty() {
        return;
    }
    out.push_str(indent);
    out.push('<');
    out.push_str(name);
    out.push('>');
    push_escaped(out, text);
    out.push_str("</");
    out.push_str(name);
    out.push_str(">\n");
}
