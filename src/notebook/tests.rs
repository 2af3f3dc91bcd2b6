//! Actions, undo, text and files together.

use proptest::prelude::*;

use super::testing::{NOW, empty, kept, measurement, picture, small};
use super::*;

/// The notebook without what only goes up.
fn content(notebook: &Notebook) -> Notebook {
    Notebook { revision: 0, next_number: u64::MAX, ..notebook.clone() }
}

/// One action of every kind that fits the small notebook.
fn every_action() -> Vec<Action> {
    let n = small();
    let mut moved = n.measurements[1].clone();
    moved.marks[0].x_px += 3.25;
    let mut animal = n.animals[0].clone();
    animal.stage = "adult".into();
    let mut shot = n.pictures[0].clone();
    shot.path = "elsewhere/2.jpg".into();
    let quantity = |name: &str| Quantity {
        name: name.into(),
        definition: "joint to joint".into(),
        source: "common practice".into(),
        other: Unknown::new(),
    };
    vec![
        Action::Describe { title: "t".into(), remarks: "r".into() },
        Action::AddPicture { picture: picture(8), at: Some(0) },
        Action::ChangePicture { picture: shot },
        Action::AddSetup { setup: Box::new(kept(8)), at: None },
        Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(8), "mite 1")), at: Some(1) },
        Action::ChangeAnimal { animal: Box::new(animal) },
        Action::AddMeasurement { measurement: Box::new(measurement(8, 4, 2, 1)), at: Some(1) },
        Action::ChangeMeasurement { measurement: Box::new(moved) },
        Action::RemoveMeasurement { id: MeasurementId::new(5) },
        Action::RemoveMeasurement { id: MeasurementId::new(7) },
        Action::Define { quantity: quantity("antenna"), at: Some(0) },
        Action::Define { quantity: quantity("body length"), at: None },
        Action::Undefine { name: "body length".into() },
        n.removal_of_animal(AnimalId::new(3)),
        n.removal_of_picture(PictureId::new(2)),
        Action::Several {
            what: String::new(),
            actions: vec![n.removal_of_picture(PictureId::new(2)), Action::RemoveSetup { id: SetupId::new(1) }],
        },
    ]
}

#[test]
fn every_action_is_undone_by_its_inverse_and_done_again_by_the_inverses_inverse() {
    for action in every_action() {
        let mut n = small();
        let before = content(&n);
        let back = n.apply(action.clone()).unwrap_or_else(|e| panic!("{}: {e}", action.name()));
        let after = content(&n);
        assert_ne!(after, before, "{}", action.name());
        let forth = n.apply(back).expect("undoes");
        assert_eq!(content(&n), before, "{}", action.name());
        n.apply(forth).expect("does again");
        assert_eq!(content(&n), after, "{}", action.name());
        assert_eq!(n.revision, small().revision + 3);
    }
}

#[test]
fn an_action_that_does_not_fit_changes_nothing() {
    let bad_mark = {
        let mut m = measurement(9, 3, 2, 1);
        m.marks[1].y_px = f64::NAN;
        m
    };
    let add = |m: Measurement| Action::AddMeasurement { measurement: Box::new(m), at: None };
    for (action, words) in [
        (Action::RemoveAnimal { id: AnimalId::new(3) }, "2 of the notebook's measurements need it"),
        (Action::RemovePicture { id: PictureId::new(2) }, "3 of the notebook's measurements need it"),
        (Action::RemoveSetup { id: SetupId::new(1) }, "need it; remove them first"),
        (Action::RemoveMeasurement { id: MeasurementId::new(99) }, "the notebook has no m99"),
        (add(measurement(5, 3, 2, 1)), "the id m5 is taken; use the notebook's next number, 8"),
        (add(measurement(9, 99, 2, 1)), "has no animal a99"),
        (add(measurement(9, 3, 99, 1)), "has no picture p99"),
        (add(measurement(9, 3, 2, 99)), "has no setup s99"),
        (add(bad_mark), "a mark is 270.1234567890123, NaN, must be finite"),
        (
            Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(9), " ")), at: None },
            "the animal's name is \" \", must be a few words",
        ),
        (
            Action::Several {
                what: "both".into(),
                actions: vec![
                    Action::RemoveMeasurement { id: MeasurementId::new(5) },
                    add(measurement(30, 3, 2, 1)),
                    Action::RemoveAnimal { id: AnimalId::new(4) },
                ],
            },
            "cannot remove animal a4: 1 of",
        ),
    ] {
        let mut n = small();
        let e = n.apply(action).expect_err(words).to_string();
        assert!(e.contains(words), "{e}");
        assert_eq!(n, small());
    }
    let mut infinite = kept(9);
    infinite.setup.readings[0].dof_fit = f64::INFINITY;
    let e = small().apply(Action::AddSetup { setup: Box::new(infinite), at: None }).expect_err("JSON has none");
    assert!(e.to_string().contains("must be finite"), "{e}");
}

#[test]
fn undo_and_redo_have_names_and_a_new_edit_ends_redo() {
    let mut e = Editor::new(small());
    assert_eq!((e.undo_name(), e.redo_name()), (None, None));
    assert_eq!(e.undo(), Ok(None));
    let animal = Animal::named(AnimalId::new(8), "mite 1");
    e.apply(Action::AddAnimal { animal: Box::new(animal), at: None }).expect("fits");
    e.apply(e.notebook().removal_of_animal(AnimalId::new(3))).expect("fits");
    assert_eq!(e.undo_name(), Some("remove animal \"fairyfly 1\""));
    assert_eq!(e.undo().expect("fits").as_deref(), Some("remove animal \"fairyfly 1\""));
    assert_eq!((e.undo_name(), e.redo_name()), (Some("add animal \"mite 1\""), Some("remove animal \"fairyfly 1\"")));
    assert_eq!(e.notebook().measurements.len(), 3);
    assert!(e.apply(Action::RemoveAnimal { id: AnimalId::new(99) }).is_err());
    assert!(e.redo_name().is_some(), "a failed action costs nothing");
    e.redo().expect("fits");
    assert_eq!(e.notebook().measurements.len(), 1);
    e.undo().expect("fits");
    e.apply(Action::RemoveMeasurement { id: MeasurementId::new(6) }).expect("fits");
    assert_eq!(e.redo_name(), None);
}

#[test]
fn numbers_of_removed_things_are_not_given_again() {
    let mut n = small();
    n.apply(Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(8), "x")), at: None }).expect("fits");
    n.apply(Action::RemoveAnimal { id: AnimalId::new(8) }).expect("fits");
    assert_eq!(n.next_number(), 9);
}

#[test]
fn text_comes_back_exactly_one_record_a_line() {
    let n = small();
    let text = to_text(&n).expect("writes");
    assert_eq!(from_text(&text).expect("reads"), n);
    // The lines are only layout.
    let plain: serde_json::Value = serde_json::to_value(&n).expect("is JSON");
    assert_eq!(serde_json::from_str::<serde_json::Value>(&text).expect("is JSON"), plain);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.iter().filter(|l| l.starts_with("{\"id\":\"m")).count(), 3, "{text}");
    assert!(text.contains("\"lying\":\"within:15\"") && text.contains("\"dof\":\"INF\""), "{text}");
    assert_eq!(to_text(&empty()).and_then(|t| from_text(&t)).expect("reads"), empty());
}

#[test]
fn a_list_of_another_record_is_not_taken_for_the_measurements() {
    let n = small();
    let text = to_text(&n).unwrap();
    assert!(text.contains("\n\"measurements\":[\n{"), "one record a line");
    // A record of another program that has such a list of its own, on lines of its own, before and behind the notebook's.
    let theirs = "{\n\"measurements\":[\n{\"depth\":3}\n]\n}";
    let line = format!("\"another\":{theirs}");
    let before = text.replacen("{\n", &format!("{{\n{line},\n"), 1);
    let behind = format!("{},\n{line}\n}}\n", text.trim_end().trim_end_matches('}').trim_end());
    let without = {
        let mut none = small();
        none.measurements.clear();
        to_text(&none).unwrap().replacen("{\n", &format!("{{\n{line},\n"), 1)
    };
    for (text, measurements) in [(before, n.measurements.len()), (behind, n.measurements.len()), (without, 0)] {
        let read = from_text(&text).unwrap();
        assert_eq!(read.measurements.len(), measurements, "{text}");
        assert_eq!(read.other["another"]["measurements"][0]["depth"], 3);
        assert_eq!(from_text(&to_text(&read).unwrap()).unwrap(), read);
    }
}

#[test]
fn unknown_keys_survive_everywhere() {
    let mut v = serde_json::to_value(small()).expect("is JSON");
    let extra = serde_json::json!({ "deep": [1, null, { "x": 0.1 }] });
    for pointer in [
        "",
        "/quantities/0",
        "/setups/0",
        "/setups/0/setup",
        "/pictures/0",
        "/animals/0",
        "/measurements/0",
        "/measurements/0/marks/1",
        "/measurements/0/reported",
        "/measurements/0/reported/figure",
        "/measurements/0/reported/figure/budget/0",
    ] {
        let place = v.pointer_mut(pointer).and_then(|p| p.as_object_mut()).expect(pointer);
        // The setup keeps what TOML can hold, which has no null.
        let value = if pointer.ends_with("/setup") { serde_json::json!({ "deep": [1, 2] }) } else { extra.clone() };
        place.insert("from_the_future".into(), value);
    }
    let mut n = from_text(&v.to_string()).expect("reads");
    let back: serde_json::Value = serde_json::from_str(&to_text(&n).expect("writes")).expect("is JSON");
    assert_eq!(back, v);
    // And through actions.
    let action = Action::RemoveMeasurement { id: MeasurementId::new(5) };
    let inverse = n.apply(action).expect("fits");
    let text = serde_json::to_string(&inverse).expect("is JSON");
    n.apply(serde_json::from_str(&text).expect("reads")).expect("fits");
    assert_eq!(serde_json::to_value(&n).expect("is JSON")["measurements"], v["measurements"]);
}

#[test]
fn what_is_no_notebook_is_told_apart() {
    let text = to_text(&small()).expect("writes");
    for (from, to, words) in [
        ("motestick notebook", "shopping list", "its \"format\" is \"shopping list\""),
        ("\"schema\":1", "\"schema\":7", "it has form 7, this program knows forms up to 1; use a newer motestick"),
        ("\"schema\":1", "\"schema\":0", "must be a version"),
        ("\"id\":\"m6\"", "\"id\":\"m5\"", "the id m5 is there twice"),
        ("\"id\":\"m6\"", "\"id\":\"m600\"", "the id m600 is not below next_number, 8"),
        ("\"animal\":\"a4\"", "\"animal\":\"a5\"", "m7 refers to animal a5, which is not there"),
        ("\"lying\":\"within:15\"", "\"lying\":\"askew\"", "\"askew\" is none of flat"),
        ("\"sha256\":\"abab", "\"sha256\":\"ABab", "must be 64 lower-case hexadecimal digits"),
    ] {
        assert!(text.contains(from), "{from}");
        let e = from_text(&text.replacen(from, to, 1)).expect_err(words).to_string();
        assert!(e.contains(words), "{e}");
    }
    assert!(from_text("{}").expect_err("empty").to_string().contains("\"format\" is \"\""));
    assert!(from_text("").is_err() && from_text("[1]").is_err() && from_text(&text[..text.len() / 2]).is_err());
    // A later form that this program cannot even take apart is still named.
    let e = from_text(r#"{"format":"motestick notebook","schema":3,"id":{"new":1}}"#).expect_err("newer");
    assert!(matches!(e, NotebookError::Newer { found: 3, .. }), "{e}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]
    /// Whatever is done, undoing all of it leads back, and doing it again leads there again.
    #[test]
    fn any_way_can_be_gone_back(picks in prop::collection::vec((0..16_usize, any::<bool>()), 1..25)) {
        let actions = every_action();
        let mut e = Editor::new(small());
        let start = content(e.notebook());
        for (pick, undo) in picks {
            if undo {
                e.undo().expect("an undo fits");
            } else {
                // Those that do not fit by now change nothing.
                drop(e.apply(actions[pick].clone()));
            }
        }
        let there = content(e.notebook());
        let mut steps = 0;
        while e.undo().expect("an undo fits").is_some() {
            steps += 1;
        }
        prop_assert_eq!(content(e.notebook()), start);
        for _ in 0..steps {
            e.redo().expect("a redo fits");
        }
        prop_assert_eq!(content(e.notebook()), there);
    }

    /// Every finite number comes back to the last bit.
    #[test]
    fn numbers_come_back_exactly(x in prop::num::f64::NORMAL, y in -1e5..1e5_f64) {
        let mut n = small();
        n.measurements[0].marks[0].x_px = x;
        n.measurements[0].marks[0].y_px = y;
        prop_assert_eq!(from_text(&to_text(&n).expect("writes")).expect("reads"), n);
    }
}

#[test]
fn every_form_there_was_still_opens() {
    let text = include_str!("../../tests/data/notebook/form_1.json");
    let n = from_text(text).expect("reads");
    assert_eq!((n.schema, n.animals.len(), n.pictures.len(), n.setups.len(), n.measurements.len()), (1, 3, 3, 1, 10));
    let first = n.measurements[0].reported.as_ref().expect("a figure");
    assert_eq!(first.figure.value, Some(542.232_751_435_866_8));
    // Written again it says the same, with what nobody knows.
    let value = |t: &str| serde_json::from_str::<serde_json::Value>(t).expect("is JSON");
    let again = value(&to_text(&n).expect("writes"));
    assert_eq!(again, value(text));
    assert_eq!(again["kept_by_another_program"]["shelf"], "upper");
    assert_eq!(again["measurements"][0]["colour"], "amber");
}

#[test]
fn a_name_for_the_menu() {
    let names: Vec<String> = every_action().iter().map(Action::name).collect();
    assert!(names.contains(&"remove picture pictures/2.jpg".to_owned()), "{names:?}");
    assert!(names.iter().all(|n| !n.is_empty() && n.is_ascii()), "{names:?} {NOW}");
}
