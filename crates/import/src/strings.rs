//! The strings of a region, each kept once.

use std::collections::HashMap;

use region::Columns;

/// Numbers strings in the order of their first use; string 0 is the empty one.
pub struct StringTable {
    ids: HashMap<Box<str>, u32>,
    first: Vec<u32>,
    bytes: Vec<u8>,
}

impl Default for StringTable {
    fn default() -> Self {
        StringTable::new()
    }
}

impl StringTable {
    /// Holds the empty string only.
    pub fn new() -> Self {
        StringTable {
            ids: HashMap::from([("".into(), 0)]),
            first: vec![0, 0],
            bytes: Vec::new(),
        }
    }

    /// The number of a string. Beyond 4 GiB of text the table is full and new strings become the
    /// empty one.
    pub fn intern(&mut self, text: &str) -> u32 {
        if let Some(&id) = self.ids.get(text) {
            return id;
        }
        let Ok(end) = u32::try_from(self.bytes.len() + text.len()) else {
            return 0;
        };
        let id = self.first.len() as u32 - 1;
        self.bytes.extend(text.as_bytes());
        self.first.push(end);
        self.ids.insert(text.into(), id);
        id
    }

    /// The string of a number; empty for unknown numbers.
    pub fn get(&self, id: u32) -> &str {
        let bytes = || {
            let (from, to) = (
                *self.first.get(id as usize)?,
                *self.first.get(id as usize + 1)?,
            );
            std::str::from_utf8(self.bytes.get(from as usize..to as usize)?).ok()
        };
        bytes().unwrap_or("")
    }

    /// Fills the columns `string_first` and `string_bytes`.
    pub fn write(self, columns: &mut Columns) {
        columns.string_first = self.first;
        columns.string_bytes = self.bytes;
    }
}

#[cfg(test)]
mod tests {
    use super::StringTable;

    #[test]
    fn strings_are_kept_once_in_order_of_first_use() {
        let mut strings = StringTable::new();
        let ids = ["é", "", "b", "é"].map(|text| strings.intern(text));
        assert_eq!(ids, [1, 0, 2, 1]);
        assert_eq!(
            [
                strings.get(0),
                strings.get(1),
                strings.get(2),
                strings.get(9)
            ],
            ["", "é", "b", ""]
        );
        let mut columns = region::Columns::default();
        strings.write(&mut columns);
        assert_eq!(columns.string_first, [0, 0, 2, 3]);
        assert_eq!(columns.string_bytes, "éb".as_bytes());
    }
}
