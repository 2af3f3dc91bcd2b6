use super::*;

#[test]
fn what_is_written_is_read_back_to_the_last_bit() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("t.csv");
    let mut odd = row();
    odd.warnings = "'quoted'".into();
    odd.animal = "-1, \"two\"".into();
    odd.value = Some(f64::MIN_POSITIVE);
    odd.u = Some(1.0 / 3.0);
    let plain = Row { warnings: "a; b".into(), ..row() };
    append(&path, &[odd.clone(), plain.clone()]).unwrap();
    assert_eq!(super::read(&path).unwrap(), [odd, plain]);
    std::fs::write(&path, "name\nx\n").unwrap();
    assert!(matches!(super::read(&path), Err(CsvError::OtherHeader { .. })));
    let table = text_table(&["a"], [vec!["=1".to_owned()], vec!["-1.5".to_owned()], vec!["-1+2".to_owned()]]).unwrap();
    assert_eq!(String::from_utf8(table).unwrap(), "a\n'=1\n-1.5\n'-1+2\n");
}

#[test]
fn a_table_cut_at_any_byte_loses_at_most_the_measurement_it_was_cut_in() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("t.csv");
    // What is cut behind a span is none of its own; an antenna goes with its segments.
    let span = |name: &str| Row { kind: "span".into(), quantity: name.into(), warnings: String::new(), ..row() };
    let antenna = |part: &str| Row { kind: "appendage".into(), part: part.into(), ..span("antenna") };
    let quoted = Row { warnings: "a, b; \"c\"".into(), ..antenna("") };
    let rows = [span("span 1"), span("span 2"), quoted, antenna("segment 1"), antenna("segment 2")];
    append(&path, &rows[..2]).unwrap();
    let first = std::fs::metadata(&path).unwrap().len() as usize;
    append(&path, &rows[2..]).unwrap();
    let whole = std::fs::read(&path).unwrap();
    assert!(!mend(&path).unwrap() && std::fs::read(&path).unwrap() == whole);
    for cut in 0..whole.len() {
        std::fs::write(&path, &whole[..cut]).unwrap();
        let mended = mend(&path).unwrap();
        let length = std::fs::metadata(&path).unwrap().len() as usize;
        assert!(length <= cut && (mended || length == cut), "{cut}");
        assert!(cut < first || length >= first, "cut at {cut}, the first measurement is gone");
        // Into the table as it is now, the rest fits again.
        append(&path, &rows[2..]).unwrap();
        let back = super::read(&path).unwrap_or_else(|e| panic!("cut at {cut}: {e}"));
        assert_eq!(back[back.len() - 3..], rows[2..], "{cut}");
        if mended && cut > first {
            assert_eq!(back, rows, "cut at {cut}: nothing is left of what was cut");
        }
    }
}

fn row() -> Row {
    Row {
        picture: "=HYPERLINK(\"x\")".into(),
        quantity: "axis 1".into(),
        value: Some(0.1 + 0.2),
        dof: Some(f64::INFINITY),
        warnings: "a, b; \"c\"\nd".into(),
        ..Row::default()
    }
}

fn read(path: &Path) -> Vec<csv::StringRecord> {
    csv::ReaderBuilder::new().has_headers(false).from_path(path).unwrap().records().map(Result::unwrap).collect()
}

#[test]
fn rows_come_back_as_written_and_formulas_are_defused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("t.csv");
    append(&path, &[row()]).unwrap();
    append(&path, &[row(), row()]).unwrap();
    let records = read(&path);
    assert_eq!(records.len(), 4, "one header, three rows");
    assert_eq!(records[0].iter().collect::<Vec<_>>(), COLUMNS);
    let r = &records[3];
    assert_eq!(&r[0], "'=HYPERLINK(\"x\")");
    assert_eq!(r[7].parse::<f64>().unwrap(), 0.1 + 0.2, "full precision");
    assert_eq!((&r[9], &r[14], &r[22]), ("", "INF", "a, b; \"c\" d"));
}

#[test]
fn a_damaged_row_is_named_by_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("t.csv");
    append(&path, &[row(), row()]).unwrap();
    let whole = std::fs::read_to_string(&path).unwrap();
    let told = |text: &[u8]| {
        std::fs::write(&path, text).unwrap();
        super::read(&path).unwrap_err().to_string()
    };
    let second = whole.rfind("0.30000000000000004").unwrap();
    let e = told(whole.replacen("0.30000000000000004", "\"0,3\"", 1).as_bytes());
    let words = "cannot read the table: line 2: \"0,3\" in column value is no number; mend the cell, ";
    assert!(e.starts_with(words) && e.ends_with("t.csv"), "{e}");
    let e = told(&whole.as_bytes()[..second]);
    assert!(e.contains("line 3: the row ends after 8 of 23 cells; take the row out"), "{e}");
    let e = told(&[whole.as_bytes(), b"\xB5,\n"].concat());
    assert!(e.contains("line 4: it is no UTF-8 text"), "{e}");
    std::fs::remove_file(&path).unwrap();
    let e = super::read(&path).unwrap_err().to_string();
    assert!(e.starts_with("cannot read the table: "), "{e}");
}

#[test]
fn another_table_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("t.csv");
    std::fs::write(&path, "name,length\nx,1\n").unwrap();
    let e = append(&path, &[row()]).unwrap_err().to_string();
    assert!(e.starts_with("the file is no table of measurements: its first line is \"name,length\""), "{e}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "name,length\nx,1\n");
}

#[test]
fn a_table_without_a_last_line_end_is_continued_on_a_new_line() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("t.csv");
    append(&path, &[row()]).unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.trim_end()).unwrap();
    append(&path, &[row()]).unwrap();
    assert_eq!(read(&path).len(), 3);
}

#[test]
fn a_negative_number_is_a_number() {
    assert_eq!(number(Some(-1.5)), "-1.5");
    assert_eq!(number(Some(f64::NAN)), "");
    assert_eq!(text("-1.5"), "'-1.5");
}
