//! Beats from a click, from the entrances and from written notes, as the program tells them.

mod common;

use common::{RATE, Takes, document, note, notefront, scan, scanned, stderr, stdout, stereo, warnings};
use serde_json::{Value, json};
use std::path::PathBuf;

/// Notes every 0.8 s (75 a minute), the first at 0.5 s: the notes of the common test sound begin after 0.5 s.
fn steady(num_notes: usize) -> Vec<f32> {
    let one = note(RATE, 1.28);
    let mut sound = vec![0.0; (RATE as f64 * (0.8 * num_notes as f64 + 1.0)) as usize];
    for i in 0..num_notes {
        let start = (0.8 * i as f64 * f64::from(RATE)) as usize;
        for (sample, x) in sound[start..].iter_mut().zip(&one) {
            *sample += x;
        }
    }
    sound
}

/// Beeps at times in seconds.
fn clicks(times: impl Iterator<Item = f64>, num_samples: usize) -> Vec<f32> {
    let mut sound = vec![0.0; num_samples];
    for at in times {
        let start = (at * f64::from(RATE)) as usize;
        for i in 0..1500 {
            let t = i as f64 / f64::from(RATE);
            if let Some(sample) = sound.get_mut(start + i) {
                *sample += (0.4 * (-t / 0.01).exp() * (std::f64::consts::TAU * 1200.0 * t).sin()) as f32;
            }
        }
    }
    sound
}

fn timings(document: &Value) -> Vec<f64> {
    let entrances = document["entrances"].as_array().expect("a list");
    entrances.iter().map(|e| e["timing_ms"].as_f64().expect("a timing")).collect()
}

fn path(path: &std::path::Path) -> &str {
    path.to_str().expect("a plain path")
}

#[test]
fn a_steady_take_shows_its_beat_unless_forbidden() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &steady(16));
    let found = scanned(&take, &[]);
    assert_eq!(found["grid"]["from"], "found", "{}", found["grid"]);
    assert!((found["grid"]["bpm"].as_f64().expect("a tempo") - 75.0).abs() < 0.1, "{}", found["grid"]);
    assert!(found["grid"]["confidence"].as_f64().expect("a confidence") > 0.9);
    assert!(timings(&found).iter().all(|ms| ms.abs() < 5.0));
    let off = scanned(&take, &["--grid", "off"]);
    assert_eq!((&off["grid"], &off["entrances"][0]["timing_ms"]), (&Value::Null, &Value::Null));
    assert!(stdout(&scan(&[&take], &[])).contains("found in the entrances"));
}

#[test]
fn a_given_beat_goes_before_a_found_one() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &steady(16));
    let given = scanned(&take, &["--bpm", "75", "--first-beat", "0.45"]);
    assert_eq!(
        given["grid"],
        json!({ "bpm": 75.0, "first_beat_s": 0.45, "per_beat": 1, "from": "given", "followed": true })
    );
}

#[test]
fn a_click_recording_gives_drifting_beats() {
    let takes = Takes::new();
    let sound = steady(20);
    let take = takes.wav("take.wav", 1, RATE, &sound);
    // Every note speaks some ms after its beat; the click is 30 ms before each.
    let click = takes.wav("click.wav", 1, RATE, &clicks((0..20).map(|i| 0.47 + 0.8 * f64::from(i)), sound.len()));
    let told = scanned(&take, &["--click", path(&click)]);
    assert_eq!(told["grid"]["from"], "click");
    assert_eq!(told["grid"]["beats_s"].as_array().map(Vec::len), Some(20));
    let speaks = told["entrances"][0]["speaks_s"].as_f64().expect("a time");
    let expected = (speaks - 0.47) * 1e3;
    assert!(timings(&told).iter().all(|ms| (ms - expected).abs() < 3.0), "{:?} for {expected}", timings(&told));
    let late = &told["entrances"][3]["faults"];
    assert!(late.as_array().expect("a list").iter().any(|f| f["name"] == "late"), "{late}");
}

#[test]
fn a_channel_of_the_take_may_hold_the_click() {
    let takes = Takes::new();
    let sound = steady(12);
    let click = clicks((0..12).map(|i| 0.47 + 0.8 * f64::from(i)), sound.len());
    let take = takes.wav("take.wav", 2, RATE, &stereo(&sound, &click));
    let told = scanned(&take, &["--click-channel", "2"]);
    assert_eq!((&told["grid"]["from"], &told["settings"]["channel"]), (&json!("click"), &json!(1)));
    assert_eq!(told["entrances"].as_array().map(Vec::len), Some(12));
    let silent = takes.wav("silent.wav", 2, RATE, &stereo(&sound, &vec![0.0; sound.len()]));
    let told = scanned(&silent, &["--click-channel", "2"]);
    assert!(warnings(&told).contains("no steady click"));
    assert_eq!(told["grid"], Value::Null);
    let none = scan(&[&take], &["--click-channel", "3"]);
    assert_eq!(none.status.code(), Some(1), "{}", stderr(&none));
}

#[test]
fn a_click_that_is_none_is_refused_before_any_take() {
    let takes = Takes::new();
    let take = takes.good("take.wav");
    let silence = takes.wav("click.wav", 1, RATE, &vec![0.0; RATE as usize]);
    for click in [path(&silence), "gone.wav"] {
        let output = scan(&[&take], &["--json", "--click", click]);
        assert_eq!(output.status.code(), Some(1));
        assert!(stderr(&output).contains(click), "{}", stderr(&output));
        assert_eq!(document(&output), json!([]), "still one JSON document");
    }
}

/// Bb2 in quarters: what the test sound plays.
fn score(takes: &Takes, notes: &[(char, i8, u8)], tempo: u32) -> PathBuf {
    let note = |&(step, alter, octave): &(char, i8, u8)| {
        format!(
            "<note><pitch><step>{step}</step><alter>{alter}</alter><octave>{octave}</octave></pitch>\
             <duration>1</duration></note>"
        )
    };
    let bars: String = notes
        .chunks(4)
        .enumerate()
        .map(|(i, bar)| format!("<measure number=\"{}\">{}</measure>", i + 1, bar.iter().map(note).collect::<String>()))
        .collect();
    let xml = format!(
        "<score-partwise><part-list><score-part id=\"P1\"><part-name>Trombone</part-name></score-part></part-list>\
         <part id=\"P1\">{}</part></score-partwise>",
        bars.replacen(
            "\">",
            &format!("\"><attributes><divisions>1</divisions></attributes><sound tempo=\"{tempo}\"/>"),
            1
        )
    );
    takes.bytes("part.musicxml", xml)
}

#[test]
fn written_notes_tell_wrong_and_missed_and_give_the_beat() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &steady(16));
    let mut notes = [('B', -1, 2); 16];
    notes[5] = ('C', 0, 3);
    let part = score(&takes, &notes, 75);
    let told = scanned(&take, &["--notes", path(&part)]);
    assert_eq!((&told["grid"]["from"], &told["grid"]["bpm"]), (&json!("notes"), &json!(75.0)));
    assert_eq!((&told["notes"]["num_right"], &told["notes"]["num_wrong"]), (&json!(15), &json!(1)));
    assert_eq!(told["notes"]["steps"][5]["written"]["note"], "C3");
    let text = stdout(&scan(&[&take], &["--notes", path(&part)]));
    assert!(text.contains("bar 2: Bb2 for C3"), "{text}");
}

#[test]
fn a_comparison_tells_how_each_take_met_the_notes() {
    let takes = Takes::new();
    let (a, b) = (takes.wav("a.wav", 1, RATE, &steady(16)), takes.wav("b.wav", 1, RATE, &steady(15)));
    let part = score(&takes, &[('B', -1, 2); 16], 75);
    let text = stdout(&notefront(&["compare", path(&a), path(&b), "--notes", path(&part)]));
    assert!(text.contains("notes: 16 right)") && text.contains("notes: 15 right, 1 missed)"), "{text}");
}

#[test]
fn another_tempo_than_written_is_said_and_the_take_s_own_beat_told() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &steady(16));
    let part = score(&takes, &[('B', -1, 2); 16], 90);
    let told = scanned(&take, &["--notes", path(&part)]);
    assert_eq!((&told["notes"]["num_right"], &told["grid"]["from"]), (&json!(16), &json!("found")));
    assert!(told["notes"]["remarks"][0].as_str().expect("text").contains("90"), "{}", told["notes"]["remarks"]);
}

#[test]
fn notes_that_cannot_be_read_are_refused_with_their_name() {
    let takes = Takes::new();
    let take = takes.good("take.wav");
    let part = takes.bytes("part.xml", "<html/>");
    let output = notefront(&["scan", path(&take), "--notes", path(&part)]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("part.xml") && stderr(&output).contains("MusicXML"), "{}", stderr(&output));
    assert_eq!(notefront(&["scan", path(&take), "--part", "2"]).status.code(), Some(2));
}

#[test]
fn a_tempo_alone_finds_its_first_beat() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &steady(16));
    let told = scanned(&take, &["--bpm", "75"]);
    let grid = &told["grid"];
    assert_eq!((&grid["from"], &grid["bpm"], &grid["followed"]), (&json!("tempo"), &json!(75.0), &json!(true)));
    let first = told["entrances"][0]["speaks_s"].as_f64().expect("a time");
    assert!((grid["first_beat_s"].as_f64().expect("a time") - first).abs() < 0.005, "{grid}");
    assert!(timings(&told).iter().all(|ms| ms.abs() < 5.0), "{:?}", timings(&told));
    let text = stdout(&scan(&[&take], &["--bpm", "75"]));
    assert!(text.contains("Beat: 75.0 a minute as given, one at 0:00.5"), "{text}");
    let other = scanned(&take, &["--bpm", "91"]);
    assert!(warnings(&other).contains("not played to this tempo"), "{}", warnings(&other));
}

/// A bar of four clicks at 75 a minute that leads into notes, 20 ms late on the beat.
fn counted_in(num_notes: usize) -> Vec<f32> {
    // Notes of the test sound begin 0.5 s in: the first at 3.7 s, the clicks at 0.48, 1.28, 2.08, 2.88.
    let sound = [vec![0.0; (3.2 * f64::from(RATE)) as usize], steady(num_notes)].concat();
    let clicks = clicks((0..4).map(|i| 0.48 + 0.8 * f64::from(i)), sound.len());
    sound.iter().zip(clicks).map(|(a, b)| a + b).collect()
}

#[test]
fn clicks_before_the_first_note_are_the_beat() {
    let takes = Takes::new();
    let take = takes.wav("take.wav", 1, RATE, &counted_in(12));
    let told = scanned(&take, &[]);
    let grid = &told["grid"];
    assert_eq!((&grid["from"], &grid["followed"]), (&json!("count-in"), &json!(true)), "{grid}");
    assert!((grid["bpm"].as_f64().expect("a tempo") - 75.0).abs() < 0.1, "{grid}");
    assert_eq!(told["entrances"].as_array().map(Vec::len), Some(12), "a click is no note");
    // Unlike a beat found in the notes it tells that all of them are late: by 20 ms, and by what a note takes to speak.
    assert!(timings(&told).iter().all(|ms| (15.0..45.0).contains(ms)), "{:?}", timings(&told));
    assert!(stdout(&scan(&[&take], &[])).contains("counted in by clicks"));
    let given = scanned(&take, &["--bpm", "75"]);
    assert!((given["grid"]["first_beat_s"].as_f64().expect("a time") - 0.48).abs() < 0.002, "{}", given["grid"]);
    assert_eq!(scanned(&take, &["--grid", "off"])["grid"], Value::Null);
}

#[test]
fn a_take_that_leaves_its_count_in_is_told_so() {
    let takes = Takes::new();
    let sound = [vec![0.0; (3.2 * f64::from(RATE)) as usize], steady(12)].concat();
    // Counted in at 105 a minute, played at 75, which falls on none of its subdivisions.
    let clicks = clicks((0..4).map(|i| 1.3 + 0.57 * f64::from(i)), sound.len());
    let both: Vec<f32> = sound.iter().zip(clicks).map(|(a, b)| a + b).collect();
    let told = scanned(&takes.wav("take.wav", 1, RATE, &both), &[]);
    assert_eq!(told["grid"]["from"], "found", "{}", told["grid"]);
    assert!(warnings(&told).contains("not played to the clicks before it"), "{}", warnings(&told));
}

#[test]
fn options_that_belong_together_are_asked_for_in_a_musician_s_words() {
    let takes = Takes::new();
    let take = takes.good("take.wav");
    for (options, said) in [
        (&["--first-beat", "1"][..], "add --bpm"),
        (&["--per-beat", "2"], "divides a beat"),
        (&["--part", "2"], "add them with --notes"),
        (&["--player", "Vesna"], "add --log"),
        (&["--bpm", "72", "--click-channel", "2"], "the beat comes from one place"),
    ] {
        let output = scan(&[&take], options);
        assert_eq!(output.status.code(), Some(2), "{options:?}");
        assert!(stderr(&output).contains(said), "{}", stderr(&output));
    }
    let output = notefront(&["compare", path(&take), path(&take), "--beats-per-bar", "4"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("counts beats that you give"), "{}", stderr(&output));
}
