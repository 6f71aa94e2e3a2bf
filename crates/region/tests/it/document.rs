//! The document of the format names every column as it is.

#[test]
fn every_column_is_documented() {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../..");
    let text = std::fs::read_to_string(format!("{root}/docs/region-format.md")).unwrap();
    assert!(text.contains(&format!("Format version: {}.", region::VERSION)));

    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("two.region");
    crate::support::two_pieces().write(&path).unwrap();
    let columns = region::Region::open(&path).unwrap().column_sizes();
    for (id, name, _, _) in &columns {
        assert!(
            text.contains(&format!("| {id} | `{name}` |")),
            "{id} {name} is not documented"
        );
    }
    let rows = text
        .lines()
        .filter(|l| l.starts_with("| ") && l.contains(" | `"))
        .count();
    assert_eq!(
        rows,
        columns.len(),
        "the document has rows for columns that no longer exist"
    );
}
