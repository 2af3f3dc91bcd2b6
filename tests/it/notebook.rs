//! Notebooks from the command line: what is measured, kept, checked and exported.

use std::path::Path;
use std::process::{Command, Output};

use motestick::exchange::csv;
use motestick::notebook::{Holder, Store, from_text};
use serde_json::Value;

fn motestick(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_motestick")).current_dir(folder).args(args).output().expect("the program starts")
}

fn well(folder: &Path, args: &[&str]) -> String {
    let out = motestick(folder, args);
    let err = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(0), "{args:?}: {err}");
    String::from_utf8(out.stdout).expect("UTF-8")
}

fn told(out: &Output) -> String {
    String::from_utf8_lossy(&out.stderr).into_owned()
}

/// A folder with a setup and a picture.
fn bench() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let sample = |name: &str| format!("{}/sample_data/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::copy(sample("mite.jpg"), dir.path().join("mite.jpg")).expect("copies");
    let slide = sample("slide_still.jpg");
    let calibrate = ["calibrate", &slide, "--division", "10um", "--magnification", "4", "--aperture", "5.6"];
    let more = ["--pupil", "1", "--pixel", "3.72um", "--setup", "fernery", "--library", "setups"];
    well(dir.path(), &[&calibrate[..], &more[..]].concat());
    dir
}

const MEASURE: [&str; 12] = [
    "measure",
    "mite.jpg",
    "--setup",
    "fernery",
    "--library",
    "setups",
    "--lying",
    "flat",
    "--span",
    "body length: 1000,700 1400,900",
    "--animal",
    "mite 1",
];

#[test]
fn what_is_measured_is_kept_reproduced_and_exported_to_the_last_digit() {
    let dir = bench();
    let at = |name: &str| dir.path().join(name);
    let more = ["--breadth", "1100,900 1250,650", "--ratio", "breadth 1/body length", "--csv", "direct.csv", "--json"];
    let printed = well(dir.path(), &[&MEASURE[..], &["--notebook", "n.json", "--person", "R."], &more].concat());
    let printed: Value = serde_json::from_str(&printed).expect("JSON");
    // The figures are those that were printed, and those that follow from what is inside.
    let n = from_text(&std::fs::read_to_string(at("n.json")).expect("reads")).expect("a notebook");
    assert_eq!((n.animals.len(), n.pictures.len(), n.setups.len(), n.measurements.len()), (1, 1, 1, 3));
    for (m, p) in n.measurements.iter().zip(printed["measurements"].as_array().expect("a list")) {
        let value = m.reported.as_ref().and_then(|r| r.figure.value);
        let shown = p.get("value_um").or_else(|| p.get("value")).and_then(Value::as_f64);
        assert!(value.is_some() && value == shown, "{p}");
    }
    assert!(n.recheck("test").iter().all(|r| r.same));
    let checked = well(dir.path(), &["notebook", "check", "n.json"]);
    assert!(checked.starts_with("3 figures follow from what is inside, 0 do not"), "{checked}");
    assert!(checked.contains("1 pictures are there, 0 have moved"), "{checked}");
    // The table from the notebook is the one that measure wrote.
    well(dir.path(), &["export", "n.json", "--csv", "t.csv", "--package", "package", "--darwin-core", "dwc"]);
    let rows = csv::read(&at("t.csv")).expect("reads");
    assert_eq!(rows, csv::read(&at("direct.csv")).expect("reads"));
    for file in ["t.datapackage.json", "package/datapackage.json", "package/animals.csv", "dwc/meta.xml"] {
        assert!(at(file).exists(), "{file}");
    }
    let facts = std::fs::read_to_string(at("dwc/measurementorfact.csv")).expect("reads");
    assert_eq!(facts.lines().count(), 1 + rows.len());
    assert!(facts.contains(",µm,R.,"), "{facts}");
    // A changed figure is noticed.
    let text = std::fs::read_to_string(at("n.json")).expect("reads");
    let place = text.find("\"value\":").expect("a value") + 8;
    let digit = if &text[place..=place] == "9" { "8" } else { "9" };
    std::fs::write(at("n.json"), format!("{}{digit}{}", &text[..place], &text[place + 1..])).expect("writes");
    let out = motestick(dir.path(), &["notebook", "check", "n.json"]);
    assert_eq!(out.status.code(), Some(1));
    assert!(told(&out).contains("body length of mite 1: stored"), "{}", told(&out));
}

#[test]
fn a_second_program_waits_and_a_moved_picture_is_found() {
    let dir = bench();
    let path = dir.path().join("n.json");
    let with_notebook = [&MEASURE[..], &["--notebook", "n.json"]].concat();
    well(dir.path(), &with_notebook);
    let held = Store::open(&path, &Holder { pid: 42, host: "bench".into(), ..Holder::default() }).expect("opens");
    let out = motestick(dir.path(), &with_notebook);
    assert_eq!(out.status.code(), Some(2));
    assert!(told(&out).contains("another program works on this notebook"), "{}", told(&out));
    drop(held);
    std::fs::create_dir(dir.path().join("sorted")).expect("makes");
    std::fs::rename(dir.path().join("mite.jpg"), dir.path().join("sorted/a.jpg")).expect("moves");
    let out = motestick(dir.path(), &["notebook", "check", "n.json", "--update"]);
    assert!(told(&out).contains("has moved to"), "{}", told(&out));
    let n = from_text(&std::fs::read_to_string(&path).expect("reads")).expect("a notebook");
    assert_eq!(n.pictures[0].path, "sorted/a.jpg");
    well(
        dir.path(),
        &["notebook", "record", "n.json", "--animal", "mite 1", "--set", "stage=adult", "--set", "what==1+1"],
    );
    well(
        dir.path(),
        &[
            "export",
            "n.json",
            "--package",
            "p",
            "--cards",
            "cards",
            "--report",
            "r.html",
            "--svg",
            "svg",
            "--pictures",
            "pics",
        ],
    );
    let animals = std::fs::read_to_string(dir.path().join("p/animals.csv")).expect("reads");
    assert!(animals.contains(",'=1+1,adult,"), "no formula: {animals}");
    let pdf = std::fs::read(dir.path().join("cards/mite_1.pdf")).expect("reads");
    assert!(pdf.starts_with(b"%PDF-") && pdf.trim_ascii_end().ends_with(b"%%EOF"));
    let png = std::fs::read(dir.path().join("pics/a.png")).expect("reads");
    assert!(png.windows(4).any(|w| w == b"pHYs"));
    let svg = std::fs::read_to_string(dir.path().join("svg/a.svg")).expect("reads");
    assert!(svg.contains("href=\"../sorted/a.jpg\""), "{}", &svg[..400]);
    let page = std::fs::read_to_string(dir.path().join("r.html")).expect("reads");
    assert!(page.contains("data:image/jpeg;base64,") && page.trim_end().ends_with("</html>"));
    let compared = well(dir.path(), &["notebook", "compare", "n.json", "--animal", "mite 1"]);
    assert!(compared.contains("none of these") && compared.contains("no identification"), "{compared}");
    let sentence = well(dir.path(), &["notebook", "sentence", "n.json"]);
    assert!(sentence.starts_with("Body length 4") && sentence.contains("(n = 1)"), "{sentence}");
    let statistics = well(dir.path(), &["notebook", "statistics", "n.json", "--json"]);
    let statistics: Value = serde_json::from_str(&statistics).expect("JSON");
    assert_eq!(statistics["statistics"][0]["n"], 1);
}

#[test]
fn a_sheet_goes_on_behind_what_is_done() {
    let dir = bench();
    // Another picture: the same with a comment (ISO/IEC 10918-1, marker COM) behind the start.
    let mut other = std::fs::read(dir.path().join("mite.jpg")).expect("reads");
    other.splice(2..2, [0xFF, 0xFE, 0x00, 0x04, b'2', b'.']);
    std::fs::write(dir.path().join("other.jpg"), other).expect("writes");
    let sheet = "picture,setup,kind,marks,animal,quantity,lying\n\
        mite.jpg,fernery,span,\"1000,700 1400,900\",mite 1,body length,flat\n\
        mite.jpg,fernery,breadth,\"1100,900 1250,650\",mite 1,,flat\n\
        mite.jpg,fernery,circle,\"1,1 2,2\",mite 1,,flat\n";
    std::fs::write(dir.path().join("s.csv"), sheet).expect("writes");
    let run = || motestick(dir.path(), &["sheet", "s.csv", "--library", "setups", "--csv", "t.csv"]);
    let out = run();
    assert_eq!(out.status.code(), Some(1), "one row has no such kind");
    assert!(told(&out).contains("line 4 of the sheet: the kind \"circle\""), "{}", told(&out));
    let rows = csv::read(&dir.path().join("t.csv")).expect("reads");
    assert_eq!(rows.iter().map(|r| r.quantity.as_str()).collect::<Vec<_>>(), ["body length", "breadth 1"]);
    std::fs::write(
        dir.path().join("s.csv"),
        format!("{sheet}other.jpg,fernery,span,\"1000,700 1400,900\",mite 2,body length,flat\n"),
    )
    .expect("writes");
    let out = run();
    assert!(told(&out).contains("2 of 3 rows are there already"), "{}", told(&out));
    let all = csv::read(&dir.path().join("t.csv")).expect("reads");
    assert_eq!((all.len(), &all[..2]), (3, &rows[..]));
    let out = motestick(dir.path(), &["sheet", "s.csv", "--library", "setups", "--notebook", "n.json"]);
    assert_eq!(out.status.code(), Some(1));
    let n = from_text(&std::fs::read_to_string(dir.path().join("n.json")).expect("reads")).expect("a notebook");
    assert_eq!((n.animals.len(), n.measurements.len()), (2, 3));
    // One joint evaluation each picture: the notebook has the table's figures.
    let values: Vec<Option<f64>> =
        n.measurements.iter().map(|m| m.reported.as_ref().and_then(|r| r.figure.value)).collect();
    assert_eq!(values, all.iter().map(|r| r.value).collect::<Vec<_>>());
    // A row more of a picture that is done, a repeat of one that is, and both targets at once: only what is missing is done, where it is.
    let more = "mite.jpg,fernery,span,\"1000,700 1300,900\",mite 1,shield,flat\n\
        mite.jpg,fernery,span,\"1001,700 1401,901\",mite 1,body length,flat\n";
    std::fs::write(
        dir.path().join("s.csv"),
        format!("{sheet}other.jpg,fernery,span,\"1000,700 1400,900\",mite 2,body length,flat\n{more}"),
    )
    .expect("writes");
    let both = ["sheet", "s.csv", "--library", "setups", "--csv", "u.csv", "--notebook", "n.json"];
    let out = motestick(dir.path(), &both);
    assert!(!told(&out).contains("there already"), "the new table lacks all five: {}", told(&out));
    let table = || {
        let rows = csv::read(&dir.path().join("u.csv")).expect("reads");
        let mut names: Vec<String> = rows.into_iter().map(|r| format!("{} {}", r.animal, r.quantity)).collect();
        names.sort();
        names
    };
    let all = ["mite 1 body length", "mite 1 body length", "mite 1 breadth 1", "mite 1 shield", "mite 2 body length"];
    assert_eq!(table(), all);
    let count = || {
        let text = std::fs::read_to_string(dir.path().join("n.json")).expect("reads");
        from_text(&text).expect("a notebook").measurements.len()
    };
    assert_eq!(count(), 5);
    let out = motestick(dir.path(), &both);
    assert!(told(&out).contains("5 of 5 rows are there already"), "{}", told(&out));
    assert_eq!((table().len(), count()), (5, 5));
}

/// The picture of a mite as another file: with a comment (ISO/IEC 10918-1, marker COM) behind the start.
fn another(dir: &Path, name: &str, comment: u8) {
    let mut bytes = std::fs::read(dir.join("mite.jpg")).expect("reads");
    bytes.splice(2..2, [0xFF, 0xFE, 0x00, 0x04, comment, b'.']);
    std::fs::create_dir_all(dir.join(name).parent().expect("a folder")).expect("makes");
    std::fs::write(dir.join(name), bytes).expect("writes");
}

fn notebook_in(dir: &Path) -> motestick::notebook::Notebook {
    from_text(&std::fs::read_to_string(dir.join("n.json")).expect("reads")).expect("a notebook")
}

const INTO_BOTH: [&str; 7] = ["s.csv", "--library", "setups", "--csv", "t.csv", "--notebook", "n.json"];

#[test]
fn a_sheet_keeps_unnamed_animals_of_different_pictures_apart() {
    let dir = bench();
    let folder = dir.path();
    for (name, comment) in [("a/IMG_0001.jpg", b'1'), ("b/IMG_0001.jpg", b'2'), ("a/IMG_0001.jpeg", b'3')] {
        another(folder, name, comment);
    }
    let row = |picture: &str| format!("{picture},fernery,span,\"1000,700 1400,900\"\n");
    let head = "picture,setup,kind,marks\n";
    let three = [head.to_owned(), row("a/IMG_0001.jpg"), row("b/IMG_0001.jpg"), row("./a/IMG_0001.jpeg")].concat();
    std::fs::write(folder.join("s.csv"), &three).expect("writes");
    let out = motestick(folder, &[&["sheet"], &INTO_BOTH[..]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", told(&out));
    assert!(told(&out).contains("line 4 of the sheet: the animal is called \"a/IMG_0001 (2)\""), "{}", told(&out));
    let names = || {
        let rows = csv::read(&folder.join("t.csv")).expect("reads");
        let table: Vec<String> = rows.into_iter().map(|r| r.animal).collect();
        (table, notebook_in(folder).animals.into_iter().map(|a| a.name).collect::<Vec<_>>())
    };
    let all = ["a/IMG_0001", "b/IMG_0001", "a/IMG_0001 (2)"].map(str::to_owned).to_vec();
    assert_eq!(names(), (all.clone(), all.clone()));
    // From another folder, and with a setup named by its file, it is the same work.
    std::fs::create_dir(folder.join("c")).expect("makes");
    std::fs::write(folder.join("s.csv"), three.replace("fernery", "setups/fernery.toml")).expect("writes");
    let from_c = ["sheet", "../s.csv", "--library", "../setups", "--csv", "../t.csv", "--notebook", "../n.json"];
    let out = motestick(&folder.join("c"), &from_c);
    assert!(told(&out).contains("3 of 3 rows are there already"), "{}", told(&out));
    assert_eq!(names(), (all.clone(), all));
    // Another picture in the place of one that was measured is another animal.
    another(folder, "b/IMG_0001.jpg", b'4');
    let out = motestick(folder, &[&["sheet"], &INTO_BOTH[..]].concat());
    assert!(told(&out).contains("called \"b/IMG_0001 (2)\""), "{}", told(&out));
    let (table, kept) = names();
    assert_eq!((table.len(), kept.len()), (4, 4));
    assert!(notebook_in(folder).animals.iter().all(|a| notebook_in(folder).measurements_of(a.id).count() == 1));
}

#[test]
fn the_same_picture_under_two_paths_is_one_unnamed_animal() {
    let dir = bench();
    let folder = dir.path();
    another(folder, "a/IMG_0001.jpg", b'1');
    another(folder, "copies/x.jpg", b'1');
    another(folder, "named.jpg", b'1');
    let first = "a/IMG_0001.jpg,fernery,span,\"1000,700 1400,900\",\n";
    let copy = "copies/x.jpg,fernery,breadth,\"1100,900 1250,650\",\n";
    let named = "named.jpg,fernery,span,\"1000,700 1400,900\",mite 7\n";
    let write = |rows: &[&str]| {
        let text = ["picture,setup,kind,marks,animal\n", &rows.concat()].concat();
        std::fs::write(folder.join("s.csv"), text).expect("writes");
    };
    let names = || {
        let rows = csv::read(&folder.join("t.csv")).expect("reads");
        let table: Vec<String> = rows.into_iter().map(|r| r.animal).collect();
        (table, notebook_in(folder).animals.into_iter().map(|a| a.name).collect::<Vec<_>>())
    };
    let run = || {
        let out = motestick(folder, &[&["sheet"], &INTO_BOTH[..]].concat());
        assert_eq!(out.status.code(), Some(0), "{}", told(&out));
        told(&out)
    };
    write(&[first, copy, named]);
    let words = run();
    assert!(words.contains("line 3 of the sheet: its picture has the same content as that of"), "{words}");
    let both = ["a/IMG_0001", "a/IMG_0001", "mite 7"].map(str::to_owned).to_vec();
    // One that is named is whom it is named.
    assert_eq!(names(), (both.clone(), vec!["a/IMG_0001".to_owned(), "mite 7".to_owned()]));
    assert_eq!(notebook_in(folder).pictures.len(), 1);
    // Whichever comes first when the sheet is run again, and with what was named so before.
    write(&[copy, first]);
    assert!(run().contains("2 of 2 rows are there already"));
    assert_eq!(names().0, both);
    let more = "copies/x.jpg,fernery,breadth,\"900,700 1400,900\",\n";
    std::fs::remove_file(folder.join("a/IMG_0001.jpg")).expect("removes");
    write(&[copy, more]);
    run();
    assert_eq!((names().0.len(), names().0[3].as_str(), names().1.len()), (4, "a/IMG_0001", 2));
}

#[test]
fn a_sheet_that_is_killed_and_run_again_has_every_row_once() {
    let dir = bench();
    let folder = dir.path();
    let row = |i: usize| format!("mite.jpg,fernery,span,\"1000,700 {},900\",mite {i},body length,flat\n", 1300 + i);
    let rows: Vec<String> = (0..80).map(row).collect();
    std::fs::write(folder.join("s.csv"), format!("picture,setup,kind,marks,animal,quantity,lying\n{}", rows.concat()))
        .expect("writes");
    let mut child = Command::new(env!("CARGO_BIN_EXE_motestick"))
        .current_dir(folder)
        .args([&["sheet"], &INTO_BOTH[..]].concat())
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("the program starts");
    // The table is written first; the notebook may have some of it, or nothing.
    while !folder.join("t.csv").exists() {
        assert!(child.try_wait().expect("is asked").is_none(), "ended before it wrote anything");
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    child.kill().expect("is killed");
    child.wait().expect("ends");
    let out = motestick(folder, &[&["sheet"], &INTO_BOTH[..]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", told(&out));
    let mut table = csv::read(&folder.join("t.csv")).expect("reads");
    table.sort_by_key(|r| r.animal.clone());
    let n = notebook_in(folder);
    assert_eq!((table.len(), n.animals.len(), n.measurements.len()), (80, 80, 80));
    for row in table {
        let animal = n.animal_named(&row.animal).expect("is there");
        let mine: Vec<_> = n.measurements_of(animal.id).collect();
        let value = mine[0].reported.as_ref().and_then(|r| r.figure.value);
        assert!(mine.len() == 1 && value.is_some() && value == row.value, "{}", row.animal);
    }
}

#[test]
fn rows_of_a_sheet_that_fail_are_named_by_their_lines_and_shift_nothing() {
    let dir = bench();
    let folder = dir.path();
    std::fs::copy(folder.join("mite.jpg"), folder.join("copy.jpg")).expect("copies");
    let sheet = "picture,setup,kind,marks,animal,remarks\n\
        # marks from the first sitting\n\
        \n\
        mite.jpg,setups/fernery.toml,span,\"1000,700 1400\",mite 1,\"of two\nlines\"\n\
        mite.jpg,setups/fernery.toml,span,\"1000,700 1300,900\",mite 1,\"of two\nlines\"\n\
        mite.jpg,cellar,span,\"1000,700 1300,900\",mite 1,\n\
        copy.jpg,fernery,angle,\"1000,700 1300,900\",mite 2,\n\
        copy.jpg,fernery,angle,\"1000,700 1300,901\",mite 2,\n\
        gone.jpg,fernery,span,\"1000,700 1300,900\",mite 3,\n\
        copy.jpg,fernery,span,\"1000,700 1300,900\"\n\
        copy.jpg,fernery,breadth,\"1000,700 1300,900\",mite 1,\n";
    std::fs::write(folder.join("s.csv"), sheet).expect("writes");
    let run = || motestick(folder, &[&["sheet"], &INTO_BOTH[..]].concat());
    let out = run();
    let words = told(&out);
    assert_eq!(out.status.code(), Some(1));
    for part in [
        "line 4 of the sheet: \"1400\" is not a mark",
        "line 8 of the sheet: ",
        "lines 9, 10 of the sheet: ",
        "line 11 of the sheet: ",
        "line 12 of the sheet: it has 4 cells",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(said.contains("figures: 2, of pictures: 1; 6 rows of the sheet failed"), "{said}");
    let table = || csv::read(&folder.join("t.csv")).expect("reads");
    let first = table();
    assert_eq!(first.iter().map(|r| r.quantity.as_str()).collect::<Vec<_>>(), ["span 2", "breadth 1"]);
    assert!(first.iter().all(|r| r.setup == "fernery"), "the setup's name, as the notebook has it");
    // The row is mended, and all is measured through a copy of the picture: what is there stays alone.
    let mended = sheet.replace("700 1400\"", "700 1400,900\"").replace("mite.jpg", "copy.jpg");
    std::fs::write(folder.join("s.csv"), mended).expect("writes");
    let out = run();
    assert!(told(&out).contains("2 of 7 rows are there already"), "{}", told(&out));
    let second = table();
    assert_eq!((second.len(), &second[..2], second[2].quantity.as_str()), (3, &first[..], "span 1"));
    let n = notebook_in(folder);
    assert_eq!((n.animals.len(), n.pictures.len(), n.measurements.len()), (1, 1, 3));
    assert!(n.recheck("test").iter().all(|r| r.same));
}

#[test]
fn a_corrected_row_of_a_sheet_does_not_pass_for_done() {
    let dir = bench();
    let folder = dir.path();
    let row = |marks: &str, lying: &str| format!("mite.jpg,fernery,span,\"{marks}\",mite 1,body length,{lying}\n");
    let sheet = |rows: &[String]| {
        let head = "picture,setup,kind,marks,animal,quantity,lying\n".to_owned();
        std::fs::write(folder.join("s.csv"), head + &rows.concat()).expect("writes");
    };
    let run = || motestick(folder, &[&["sheet"], &INTO_BOTH[..]].concat());
    let old = row("1000,700 1400,900", "flat");
    sheet(std::slice::from_ref(&old));
    assert_eq!(run().status.code(), Some(0));
    // A repeat before it is a repeat.
    sheet(&[row("1001,701 1401,901", "flat"), old.clone()]);
    assert_eq!(run().status.code(), Some(0));
    assert_eq!(notebook_in(folder).measurements.len(), 2);
    // Moved marks, and another lying, are neither done nor done beside the old figure.
    sheet(&[row("1001,701 1401,901", "flat"), row("1000,700 1399,900", "flat")]);
    let out = run();
    assert_eq!(out.status.code(), Some(1));
    assert!(told(&out).contains("line 3 of the sheet: its marks differ from those in the notebook"), "{}", told(&out));
    assert!(told(&out).contains("remove the old measurement"), "{}", told(&out));
    sheet(&[row("1001,701 1401,901", "unknown"), old]);
    let out = run();
    assert_eq!(out.status.code(), Some(1));
    assert!(told(&out).contains("line 2 of the sheet: its lying differs from that in the "), "{}", told(&out));
    assert_eq!(notebook_in(folder).measurements.len(), 2);
    assert_eq!(csv::read(&folder.join("t.csv")).expect("reads").len(), 2);
}
