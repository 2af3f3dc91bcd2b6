//! The file, its journal and its lock, also when a program is killed.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use super::testing::{NOW, empty, small};
use super::*;

fn holder() -> Holder {
    Holder { pid: std::process::id(), host: "bench".into(), program: "motestick test".into(), since: NOW.into() }
}

fn add_animal(number: u64) -> Action {
    let animal = Animal::named(AnimalId::new(number), &format!("animal {number}"));
    Action::AddAnimal { animal: Box::new(animal), at: None }
}

fn files_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("lists")
        .map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn what_is_closed_is_one_file_and_comes_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fern.json");
    let mut store = Store::create(&path, small(), &holder()).expect("creates");
    store.apply(add_animal(8), NOW).expect("applies");
    assert!(store.is_ahead());
    store.undo(NOW).expect("undoes");
    store.redo(NOW).expect("does again");
    let here = store.notebook().clone();
    assert_eq!(read(&path).expect("reads").animals, here.animals, "readers see what the journal has");
    store.close("2024-05-02T10:00:00Z").expect("closes");
    assert_eq!(files_in(folder.path()), ["fern.json"]);
    let opened = Store::open(&path, &holder()).expect("opens");
    assert_eq!((opened.restored, opened.notices.len()), (0, 0));
    let there = opened.store.notebook();
    assert_eq!((&there.animals, there.revision), (&here.animals, here.revision));
    assert_eq!(there.changed, "2024-05-02T10:00:00Z");
    assert_eq!(there.program, "motestick test");
}

#[test]
fn a_second_program_is_told_who_has_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fern.json");
    let store = Store::create(&path, small(), &holder()).expect("creates");
    let Err(e) = Store::open(&path, &Holder::default()) else { panic!("must be refused") };
    let words = e.to_string();
    assert!(words.contains(&format!("process {} on bench since {NOW}", std::process::id())), "{words}");
    drop(store);
    assert!(Store::open(&path, &holder()).is_ok());
    assert!(matches!(Store::create(&path, empty(), &holder()), Err(StoreError::Exists { .. })));
    // A lock file left behind by a crash is no lock.
    std::fs::write(folder.path().join("fern.json.lock"), "{\"pid\":1}").expect("writes");
    assert!(Store::open(&path, &holder()).is_ok());
}

#[test]
fn a_journal_cut_at_any_byte_loses_at_most_the_action_it_was_cut_in() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fern.json");
    let mut store = Store::create(&path, small(), &holder()).expect("creates");
    let first = 8;
    for i in 0..4 {
        store.apply(add_animal(first + i), NOW).expect("applies");
    }
    drop(store);
    let document = std::fs::read(&path).expect("reads");
    let journal_path = folder.path().join("fern.json.journal");
    let journal = std::fs::read(&journal_path).expect("reads");
    let ends: Vec<usize> = journal.iter().enumerate().filter(|(_, b)| **b == b'\n').map(|(i, _)| i + 1).collect();
    assert_eq!(ends.len(), 5, "a header and four actions");
    let from_text = from_text(std::str::from_utf8(&document).expect("UTF-8")).expect("reads");
    for cut in 0..=journal.len() {
        let whole = ends.iter().filter(|e| **e <= cut).count().saturating_sub(1);
        let found = journal::look_through(&journal[..cut], &from_text);
        assert_eq!((found.actions.len(), found.damage), (whole, None), "cut at {cut}");
        assert_eq!(found.cut_short, cut > 0 && !ends.contains(&cut), "cut at {cut}");
    }
    let near_ends = ends.iter().flat_map(|e| [e - 2, e - 1, *e, e + 1]).filter(|c| *c <= journal.len());
    for cut in near_ends.chain([0, 1, journal.len() - 40]) {
        std::fs::write(&path, &document).expect("writes");
        std::fs::write(&journal_path, &journal[..cut]).expect("writes");
        let whole = ends.iter().filter(|e| **e <= cut).count().saturating_sub(1);
        assert_eq!(read(&path).expect("reads").animals.len(), 2 + whole, "cut at {cut}");
        let opened = Store::open(&path, &holder()).unwrap_or_else(|e| panic!("cut at {cut}: {e}"));
        assert_eq!(opened.restored, whole, "cut at {cut}");
        let exact = cut == 0 || ends.contains(&cut);
        assert_eq!(opened.notices.is_empty(), exact, "cut at {cut}: {:?}", opened.notices);
        // Work goes on behind the cut, and is there the next time.
        let mut store = opened.store;
        let next = store.notebook().next_number();
        store.apply(add_animal(next), NOW).expect("applies");
        let here = store.notebook().clone();
        drop(store);
        let again = Store::open(&path, &holder()).expect("opens");
        assert_eq!(again.store.notebook(), &here, "cut at {cut}");
        assert!(again.notices.is_empty());
    }
}

#[test]
fn a_crash_between_writing_the_document_and_emptying_the_journal_does_nothing_twice() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fern.json");
    let journal_path = folder.path().join("fern.json.journal");
    let mut store = Store::create(&path, small(), &holder()).expect("creates");
    store.apply(add_animal(8), NOW).expect("applies");
    store.apply(add_animal(9), NOW).expect("applies");
    let journal = std::fs::read(&journal_path).expect("reads");
    store.save(NOW).expect("saves");
    let here = store.notebook().clone();
    drop(store);
    std::fs::write(&journal_path, journal).expect("writes");
    let opened = Store::open(&path, &holder()).expect("opens");
    assert_eq!((opened.restored, opened.store.notebook()), (0, &here));
}

#[test]
fn a_damaged_journal_is_kept_and_what_is_whole_is_used() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fern.json");
    let journal_path = folder.path().join("fern.json.journal");
    let mut store = Store::create(&path, small(), &holder()).expect("creates");
    for i in 8..11 {
        store.apply(add_animal(i), NOW).expect("applies");
    }
    drop(store);
    let journal = std::fs::read_to_string(&journal_path).expect("reads").replace("animal 9", "animal \u{0}9");
    std::fs::write(&journal_path, &journal).expect("writes");
    let opened = Store::open(&path, &holder()).expect("opens");
    assert_eq!(opened.restored, 1);
    assert!(opened.notices[0].starts_with("the notebook's journal is damaged (line 3:"), "{:?}", opened.notices);
    let kept = std::fs::read_to_string(folder.path().join("fern.json.journal.damaged-1")).expect("is kept");
    assert_eq!(kept, journal);
    drop(opened);
    let again = Store::open(&path, &holder()).expect("opens");
    assert_eq!((again.restored, again.notices.len(), again.store.notebook().animals.len()), (0, 0, 3));
    // A journal of another notebook is not applied.
    drop(again);
    let other = journal.replace(small().id.as_str(), "00000000-0000-8000-8000-000000000000");
    std::fs::write(&journal_path, other).expect("writes");
    let opened = Store::open(&path, &holder()).expect("opens");
    assert!(opened.restored == 0 && opened.notices[0].contains("belongs to another notebook"), "{:?}", opened.notices);
}

/// Where the child of the next test works; without it the child's test does nothing.
const CHILD_FOLDER: &str = "MOTESTICK_TEST_CHILD_FOLDER";

#[test]
fn child_that_works_until_it_is_killed() {
    let Some(folder) = std::env::var_os(CHILD_FOLDER) else { return };
    let path = Path::new(&folder).join("fern.json");
    let mut store = Store::create(&path, small(), &holder()).expect("creates");
    for i in 0..100_000 {
        store.apply(add_animal(8 + i), NOW).expect("applies");
        if i % 7 == 6 {
            store.save(NOW).expect("saves");
        }
        // On the disk by now: says so.
        writeln!(std::io::stdout(), "\ndone {}", i + 1).expect("says so");
    }
}

#[test]
fn a_killed_program_loses_nothing_that_it_said_was_done() {
    for round in 0..3 {
        let folder = tempfile::tempdir().expect("a folder");
        let mut child = Command::new(std::env::current_exe().expect("this program"))
            .args(["--exact", "notebook::store_tests::child_that_works_until_it_is_killed", "--nocapture"])
            .env(CHILD_FOLDER, folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("starts");
        let mut said = 0;
        let lines = BufReader::new(child.stdout.take().expect("its output")).lines();
        for line in lines.map_while(Result::ok) {
            if let Some(n) = line.strip_prefix("done ") {
                said = n.parse().expect("a number");
            }
            if said >= 11 + 5 * round {
                break;
            }
        }
        child.kill().expect("is killed");
        child.wait().expect("ends");
        let opened = Store::open(&folder.path().join("fern.json"), &holder()).expect("opens");
        let there = opened.store.notebook().animals.len() - 2;
        assert!(there >= said && said > 0, "round {round}: said {said}, there {there}");
    }
}

#[test]
fn an_action_that_cannot_be_written_is_taken_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fern.json");
    let mut store = Store::create(&path, small(), &holder()).expect("creates");
    store.apply(add_animal(8), NOW).expect("applies");
    let before = store.notebook().clone();
    assert!(store.apply(Action::RemoveAnimal { id: AnimalId::new(3) }, NOW).is_err());
    assert_eq!(store.notebook(), &before);
    assert_eq!(store.undo_name(), Some("add animal \"animal 8\""));
    store.fill_the_disk();
    let e = store.apply(add_animal(9), NOW).expect_err("cannot be written").to_string();
    assert!(e.starts_with("cannot write the notebook's journal:"), "{e}");
    assert!(store.undo(NOW).is_err() && store.redo(NOW).is_ok_and(|n| n.is_none()));
    let content = |n: &Notebook| Notebook { next_number: 0, ..n.clone() };
    assert_eq!(content(store.notebook()), content(&before));
    assert_eq!((store.undo_name(), store.redo_name()), (Some("add animal \"animal 8\""), None));
    drop(store);
    let opened = Store::open(&path, &holder()).expect("opens");
    assert_eq!(opened.store.notebook(), &before);
}

#[test]
fn pictures_are_found_again_by_hash_and_changed_ones_are_noticed() {
    use super::locate::{relative_path, sha256_of};
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir_all(at("pictures/old")).expect("makes");
    std::fs::create_dir_all(at("notes")).expect("makes");
    std::fs::write(at("pictures/1.jpg"), b"first picture").expect("writes");
    std::fs::write(at("pictures/decoy.jpg"), b"other picture").expect("writes");
    // FIPS 180-4 example: SHA-256 of "abc".
    std::fs::write(at("abc"), b"abc").expect("writes");
    let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(sha256_of(&at("abc")).expect("reads"), abc);
    let path = relative_path(&at("notes"), &at("pictures/1.jpg")).expect("is there");
    assert_eq!(path, "../pictures/1.jpg");
    let hash = sha256_of(&at("pictures/1.jpg")).expect("reads");
    let picture = Picture::of_file(PictureId::new(1), &path, 13, &hash, 10, 10);
    let look = || picture.found_in(&at("notes"), &[at("pictures")]);
    assert!(matches!(look(), Located::There(_)));
    std::fs::rename(at("pictures/1.jpg"), at("pictures/old/renamed.jpg")).expect("moves");
    assert_eq!(look(), Located::Moved(at("pictures/old/renamed.jpg")));
    std::fs::write(at("pictures/1.jpg"), b"FIRST picture").expect("writes");
    assert_eq!(look(), Located::Moved(at("pictures/old/renamed.jpg")), "another file took its place");
    std::fs::remove_file(at("pictures/old/renamed.jpg")).expect("removes");
    assert!(matches!(look(), Located::Changed(_)));
    std::fs::remove_file(at("pictures/1.jpg")).expect("removes");
    assert_eq!(look(), Located::Missing);
    assert_eq!(look().file(), None);
}
