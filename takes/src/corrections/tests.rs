//! Corrections as laws: undone in any order they leave nothing, joined in any order they lose nothing.

use super::file::{Found, path_of, read, take_in};
use super::*;
use crate::fixtures::{airy, below, clear, split};
use notefront_dsp::{Entrance, Settings};
use std::path::Path;

/// Numbers below a bound, the same for the same seed.
fn dice(seed: u64) -> impl FnMut(usize) -> usize {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move |below| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 16) as usize % below
    }
}

fn entrances() -> Vec<Entrance> {
    vec![below(0, 1.0), clear(1, 48, 2.0), split(2, 3.5), clear(3, 65, 4.25), airy(4, 5.25)]
}

fn sound() -> Fingerprint {
    Fingerprint {
        duration_s: 7.0,
        rises: (1..=12).map(|k| (0.5 * f64::from(k) + 0.013 * f64::from(k * k % 7), 20.0)).collect(),
    }
}

fn anything(draw: &mut impl FnMut(usize) -> usize) -> (f64, What) {
    let at_s = [1.0, 2.0, 3.5, 4.25, 5.25, 2.7, 6.1][draw(7)];
    let what = match draw(8) {
        0 => What::Fine { reason: (draw(2) == 0).then(|| "meant so".into()) },
        1 => What::Unclear { fault: (draw(2) == 0).then_some(FaultName::Airy) },
        2 => What::Moved { to_s: at_s + 0.03 * draw(5) as f64 },
        3 => What::Added { midi_note: (draw(2) == 0).then_some(50) },
        4 => What::Removed,
        5 => What::Split { second_s: at_s + 0.3 },
        6 => What::Joined,
        _ => What::Note { midi_note: 40 + draw(20) as u8 },
    };
    (at_s, what)
}

fn applied(kept: &Corrections) -> (Vec<Entrance>, Option<Corrected>) {
    let mut all = entrances();
    let found = Found { path: "take.corrections.json".into(), corrections: kept.clone(), later_s: 0.0 };
    let mut corrected = apply::place(&mut all, &found, 7.0, &Settings::default());
    if let Some(corrected) = &mut corrected {
        apply::hear(&mut all, corrected);
    }
    (all, corrected)
}

/// Fronts hold NaN, which equals nothing: compared as they are printed.
fn shown(entrances: &[Entrance]) -> String {
    format!("{entrances:?}")
}

#[test]
fn any_corrections_undone_in_any_order_are_the_first_state() {
    for seed in 1..=300 {
        let mut draw = dice(seed);
        let mut kept = Corrections::new("take.wav", sound());
        for _ in 0..1 + draw(12) {
            let (at_s, what) = anything(&mut draw);
            kept.say(By::Command, at_s, what);
            let (all, corrected) = applied(&kept);
            let corrected = corrected.expect("something holds");
            assert_eq!(all.len(), corrected.by_ear.len());
            assert!(all.iter().enumerate().all(|(i, e)| e.front.index == i));
            assert!(all.is_sorted_by(|a, b| a.front.speaks_s <= b.front.speaks_s));
        }
        while !kept.active().is_empty() {
            let active = kept.active();
            let id = active[draw(active.len())].id.clone();
            assert!(kept.undo(&id).is_some() && kept.undo(&id).is_none(), "once");
        }
        let (all, corrected) = applied(&kept);
        assert_eq!((shown(&all), corrected), (shown(&entrances()), None), "seed {seed}");
    }
}

#[test]
fn two_lists_joined_either_way_say_the_same() {
    for seed in 1..=100 {
        let mut draw = dice(seed);
        let mut common = Corrections::new("take.wav", sound());
        let mut more = |list: &mut Corrections| {
            for _ in 0..1 + draw(5) {
                let (at_s, what) = anything(&mut draw);
                list.say(By::Page, at_s, what);
            }
        };
        more(&mut common);
        let (mut a, mut b) = (common.clone(), common.clone());
        more(&mut a);
        more(&mut b);
        let undone = a.active()[0].id.clone();
        a.undo(&undone);
        let (mut ab, mut ba) = (a.clone(), b.clone());
        ab.merge(&b, 0.0);
        ba.merge(&a, 0.0);
        assert_eq!(ab.active(), ba.active());
        assert_eq!(ab.active().len(), a.active().len() + b.active().len() - common.corrections.len());
        assert_eq!(shown(&applied(&ab).0), shown(&applied(&ba).0));
        let again = ab.clone();
        ab.merge(&b, 0.0);
        assert_eq!(ab, again, "nothing counts twice");
    }
}

#[test]
fn each_kind_does_what_it_says() {
    let one = |at_s: f64, what: What| {
        let mut kept = Corrections::new("take.wav", sound());
        kept.say(By::Command, at_s, what);
        let (all, corrected) = applied(&kept);
        (all, corrected.expect("it holds"))
    };
    let (all, corrected) = one(3.5, What::Fine { reason: None });
    assert!(!all[2].is_flagged() && all[2].verdict.clarity >= 95.0);
    let found = corrected.by_ear[2].found.expect("it was measured");
    assert!(found.is_flagged() && found.verdict.clarity < 30.0, "what was measured stays beside it");
    let (all, corrected) = one(2.0, What::Unclear { fault: Some(FaultName::Airy) });
    assert!(!all[1].is_flagged(), "what is heard is no measure");
    assert_eq!(corrected.by_ear[1].heard, Some(Heard::Unclear(Some(FaultName::Airy))));
    assert_eq!(one(2.0, What::Moved { to_s: 2.04 }).0[1].front.speaks_s, 2.04);
    let (all, _) = one(2.5, What::Added { midi_note: Some(50) });
    assert_eq!((all.len(), all[2].front.midi_note, all[2].front.index), (6, Some(50), 2));
    assert_eq!((all[1].front.end_s, all[2].front.end_s), (Some(2.5), Some(2.8)), "the note before ends there");
    let (all, corrected) = one(4.25, What::Removed);
    assert_eq!((all.len(), corrected.removed.len(), corrected.as_measured), (4, 1, (5, 3)));
    assert_eq!(one(2.0, What::Split { second_s: 2.4 }).0.len(), 6);
    let (all, _) = one(2.0, What::Joined);
    assert_eq!((all.len(), all[0].front.end_s), (4, Some(2.8)));
    assert_eq!(one(2.0, What::Note { midi_note: 60 }).0[1].front.midi_note, Some(60));
    assert_eq!(one(9.0, What::Removed).1.lost.len(), 1, "nothing is there");
}

#[test]
fn two_programs_at_once_lose_nothing() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let take = folder.path().join("take.wav");
    const EACH: usize = 25;
    std::thread::scope(|scope| {
        for part in 0..4 {
            let take = &take;
            scope.spawn(move || {
                for k in 0..EACH {
                    let at_s = (part * EACH + k) as f64;
                    amend(take, &sound(), |kept, _| kept.say(By::Command, at_s, What::Removed).id.clone())
                        .expect("room");
                }
            });
        }
    });
    let kept = read(&path_of(&take)).expect("corrections");
    let mut times: Vec<f64> = kept.corrections.iter().map(|c| c.at_s).collect();
    times.sort_by(f64::total_cmp);
    assert_eq!(times, (0..4 * EACH).map(|k| k as f64).collect::<Vec<_>>());
    let names: Vec<_> = std::fs::read_dir(folder.path()).expect("a folder").collect();
    assert_eq!(names.len(), 1, "nothing else is left beside the take: {names:?}");
}

#[test]
fn a_renamed_and_trimmed_take_finds_its_corrections_and_takes_them_along() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (old, new) = (folder.path().join("old.wav"), folder.path().join("new.wav"));
    amend(&old, &sound(), |kept, _| kept.say(By::Command, 3.5, What::Moved { to_s: 3.6 }).id.clone()).expect("room");
    // Half a second was cut off.
    let cut = |r: &(f64, f64)| (r.0 - 0.5, r.1);
    let trimmed = Fingerprint { duration_s: 6.5, rises: sound().rises.iter().map(cut).filter(|r| r.0 > 0.0).collect() };
    let found = find(&new, &trimmed).expect("readable").expect("found by its sound");
    assert!((found.later_s + 0.5).abs() < 1e-9 && found.path == path_of(&old));
    amend(&new, &trimmed, |kept, later_s| {
        assert_eq!(later_s, 0.0);
        kept.say(By::Command, 1.0, What::Removed);
    })
    .expect("room");
    let moved = read(&path_of(&new)).expect("corrections");
    assert_eq!((moved.corrections.len(), moved.take.as_str()), (2, "new.wav"));
    assert!((moved.corrections[0].at_s - 3.0).abs() < 1e-9);
    assert!(matches!(moved.corrections[0].what, What::Moved { to_s } if (to_s - 3.1).abs() < 1e-9));
    let (num, _) = take_in(&new, &trimmed, &path_of(&old)).expect("the same sound");
    assert_eq!(num, 0, "all of it was there");
}

#[test]
fn what_is_not_ours_is_left_as_it_is() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let take = folder.path().join("take.wav");
    let path = path_of(&take);
    let newer = r#"{"format":"notefront.corrections","version":9}"#;
    for garbage in ["", "{", "[]", "{\"format\":\"other\"}", newer, "\u{0}\u{1}"] {
        std::fs::write(&path, garbage).expect("room");
        let refused = amend(&take, &sound(), |kept, _| kept.say(By::Command, 1.0, What::Removed).id.clone())
            .expect_err("not ours");
        assert!(refused.to_string().contains("left as it is"), "{refused}");
        assert_eq!(std::fs::read_to_string(&path).expect("still there"), garbage);
    }
    std::fs::remove_file(&path).expect("ours");
    amend(&take, &sound(), |kept, _| kept.say(By::Command, 1.0, What::Removed).id.clone()).expect("room");
    let other = Fingerprint { duration_s: 9.0, rises: (1..=12).map(|k| (0.61 * f64::from(k), 9.0)).collect() };
    assert!(matches!(find(&take, &other), Err(CorrectionsError::OtherSound(_))));
    assert!(find(Path::new("/no such folder/take.wav"), &other).expect("nothing to read").is_none());
}

#[test]
fn what_is_said_in_plain_words_is_read_and_told_again() {
    let read = |text: &str| words::read(&text.split(' ').map(str::to_owned).collect::<Vec<_>>());
    let say = |at_s, what| Ok(words::Asked::Say(at_s, what));
    assert_eq!(
        read("fine 0:03.50 because it is meant so"),
        say(3.5, What::Fine { reason: Some("it is meant so".into()) })
    );
    assert_eq!(read("unclear at 64.25 air first"), say(64.25, What::Unclear { fault: Some(FaultName::Airy) }));
    assert_eq!(read("add 1:02:03 Bb2"), say(3723.0, What::Added { midi_note: Some(46) }));
    assert_eq!(read("move 1.5 to 1.6"), say(1.5, What::Moved { to_s: 1.6 }));
    assert_eq!(read("note 2 is F#3"), say(2.0, What::Note { midi_note: 54 }));
    assert_eq!(read("undo"), Ok(words::Asked::Undo(None)));
    for wrong in ["", "fine", "fine soon", "add 1 H2", "dance 1", "remove 1 2 3", "unclear 1 loud", "note 1"] {
        assert!(read(wrong).is_err(), "{wrong:?}");
    }
    for midi in 21..=96 {
        assert_eq!(words::note(&notefront_dsp::units::note_name(midi)), Ok(midi));
    }
}
