//! Damaged projects: whatever stands in a state, it is read, judged, drawn and kept again without a panic, and what was kept is
//! read whole. A few hundred cases in the usual run; `NOTEFRONT_FUZZ=1000000` tries so many, on all cores.
//!
//! Most cases damage a small project, of which there are some that together hold every field a project can have: half an hour
//! for a million of them on two cores.
#![allow(missing_docs)]

use egui::{Context, RawInput, Rect, pos2, vec2};
use notefront::choices::Choices;
use notefront::dice::Dice;
use notefront::fixture;
use notefront::packed;
use notefront::passes::Pass;
use notefront::session::{Session, SharedSession};
use notefront::state::{Keeper, Kept, SavedSession};
use notefront::view::header::View;
use notefront::wave::Wave;
use notefront::whole_window::WholeWindow;
use notefront_dsp::entrance::{Between, Breath, Inhalation, Passage, Tone};
use notefront_dsp::{FaultName, Measure};
use notefront_takes::corrections::{By, What};
use serde::Deserialize;
use serde_json::{Value, json};
use std::sync::atomic::{AtomicU64, Ordering};

/// Cases of the usual run.
const USUAL: u64 = 300;
/// How often a long run tells how far it is.
const SAYS_EVERY: u64 = 10_000;
/// Places that are damaged in a case, at most.
const MOST_DAMAGED: usize = 6;
/// One of so many cases damages the large project.
const LARGE_EVERY: usize = 64;
/// One of so many drawn windows becomes triangles too.
const TRIANGLES_EVERY: usize = 8;
/// Entrances of a part, so that the smallest project has two.
const SMALL_PART: usize = 3;
/// One of so many walks ends at each step on the way down, and one of so many may end before the first.
const STOPS_EVERY: usize = 12;
const WHOLE_EVERY: usize = 32;
/// Letters of texts that are damaged.
const LETTERS: [char; 4] = ['A', '/', '=', '\u{e9}'];

/// The projects that are damaged, lying open: a large one, and small ones.
struct Projects {
    large: Value,
    small: Vec<Value>,
}

impl Projects {
    fn new() -> Self {
        Self { large: large(), small: small() }
    }
}

fn laid_open(passes: Vec<Pass>) -> Value {
    let saved = SavedSession { passes, reference: Some(1), damage: Vec::new() };
    fixture::laid_open(&serde_json::to_value(saved).expect("plain data"))
}

/// Two passes of many entrances, and everything that can be said of the second.
fn large() -> Value {
    let judging = Choices::default().judging();
    let mut session = Session::default();
    session.add(fixture::showcase(0));
    session.add(fixture::mixed_pass(24, 2));
    session.rejudge(&judging);
    assert!(fixture::say_everything(session.pass_mut(2).expect("the second"), &judging));
    laid_open(session.passes().to_vec())
}

/// A pass of four entrances for every two faults, with what can be heard beside a fault, and two or three things said of each.
fn small() -> Vec<Value> {
    let said: Vec<[(usize, What); 2]> = vec![
        [(0, What::Fine { reason: Some("so".into()) }), (1, What::Unclear { fault: Some(FaultName::Airy) })],
        [(1, What::Moved { to_s: 2.2 }), (2, What::Removed)],
        [(0, What::Added { midi_note: Some(53) }), (3, What::Note { midi_note: 58 })],
        [(1, What::Split { second_s: 2.4 }), (2, What::Unclear { fault: None })],
        [(2, What::Joined), (3, What::Added { midi_note: None })],
        [(3, What::Removed), (3, What::Fine { reason: None })],
    ];
    FaultName::ALL
        .chunks(2)
        .zip(said.into_iter().cycle())
        .map(|(faults, said)| laid_open(vec![tiny(faults, said)]))
        .collect()
}

fn tiny(faults: &[FaultName], said: [(usize, What); 2]) -> Pass {
    let judging = Choices::default().judging();
    let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0]);
    for (place, fault) in [0, 2].into_iter().zip(faults) {
        pass.entrances[place] = fixture::with_fault(pass.entrances[place], *fault, 0.8);
    }
    let length_ms = Ok(Measure { value: 40.0, uncertainty: 4.0 });
    let between = Some(Between { interval_cents: 500.0, duration_ms: 30.0 });
    let evidence = &mut pass.entrances[1].front.evidence;
    evidence.passage = Some(Passage { length_ms, dip_db: 3.0, between });
    evidence.breath = Some(Breath::Heard(Inhalation { length_ms: 300.0, before_ms: 80.0 }));
    evidence.tone = Some(Tone { hnr_db: 20.0, pitch_wander_cents: 4.0, level_wander_db: 0.5, brightness_hz: 900.0 });
    pass.wave = Wave::from_points((0..60).map(|i| 4 * i).collect(), 10.0);
    pass.clipped_at_s = vec![1.5];
    pass.waits_since = Some((1_772_474_400, 60));
    pass.rejudge(&judging);
    for (place, what) in said {
        let at_s = pass.measured()[place].front.speaks_s;
        assert!(pass.say(By::Insert, at_s, what, &judging).is_some());
    }
    pass
}

/// A project that lies open, packed as it is written today, its entrances by `part_len`.
fn packed_again(open: &Value, part_len: usize) -> Value {
    let pack = |value: Value| json!(packed::pack(value.to_string().as_bytes()).expect("memory"));
    let mut value = open.clone();
    let Some(fields) = value.as_object_mut() else { return value };
    let Some(Value::Array(passes)) = fields.remove("passes") else { return value };
    let pass = |mut pass: Value| {
        let entrances = pass.as_object_mut().and_then(|fields| fields.remove("entrances"));
        let Some(Value::Array(mut entrances)) = entrances else { return json!({ "head": pack(pass) }) };
        let (mut parts, mut pictures) = (Vec::new(), Vec::new());
        for part in entrances.chunks_mut(part_len) {
            let picture = |e: &mut Value| e.as_object_mut().and_then(|fields| fields.remove("picture"));
            let of_part: Vec<_> = part.iter_mut().enumerate().filter_map(|(i, e)| Some((i, picture(e)?))).collect();
            parts.push(pack(json!(part)));
            pictures.push(if of_part.is_empty() { Value::Null } else { pack(json!(of_part)) });
        }
        json!({ "head": pack(pass), "parts": parts, "pictures": pictures })
    };
    let packed = passes.into_iter().map(pass).collect();
    fields.insert("packed".into(), packed);
    value
}

/// What a damaged place may hold.
fn odd(dice: &mut Dice) -> Value {
    match dice.below(16) {
        0 => json!(1e308),
        1 => json!(-1e308),
        2 => json!(1e-308),
        3 => json!(0),
        4 => json!(-1),
        5 => json!(u64::MAX),
        6 => json!(i64::MIN),
        7 => json!(1e9),
        8 => json!(-1e9),
        9 => json!(44_100),
        10 => Value::Null,
        11 => json!(true),
        12 => json!("x"),
        13 => json!([]),
        14 => json!({}),
        _ => json!([[[]]]),
    }
}

/// Damages something within, or all of it at once.
fn damage(value: &mut Value, dice: &mut Dice) {
    match dice.below(STOPS_EVERY) {
        0 => *value = odd(dice),
        _ => damage_within(value, dice),
    }
}

/// Walks down by chance, and damages what it comes to.
fn damage_within(value: &mut Value, dice: &mut Dice) {
    match value {
        Value::Array(items) if !items.is_empty() => {
            let at = dice.below(items.len());
            match dice.below(10) {
                0 => drop(items.remove(at)),
                1 => items.push(items[at].clone()),
                _ => damage(&mut items[at], dice),
            }
        }
        Value::Object(fields) if !fields.is_empty() => {
            let key = fields.keys().nth(dice.below(fields.len())).cloned().expect("one of them");
            match dice.below(12) {
                0 => drop(fields.remove(&key)),
                _ => damage(fields.get_mut(&key).expect("it is there"), dice),
            }
        }
        Value::String(text) if !text.is_empty() && dice.below(2) == 0 => {
            let at = dice.below(text.chars().count());
            let letter = LETTERS[dice.below(LETTERS.len())];
            *text = text.chars().enumerate().map(|(i, own)| if i == at { letter } else { own }).collect();
        }
        other => *other = odd(dice),
    }
}

/// A damaged project: what it holds, as an old one that lies open or as today's, or the texts it is packed in.
fn damaged(projects: &Projects, dice: &mut Dice) -> Value {
    let is_large = dice.below(LARGE_EVERY) == 0;
    let mut value = if is_large { &projects.large } else { &projects.small[dice.below(projects.small.len())] }.clone();
    let part_len = if is_large { notefront::passes::MAX_ENTRANCES } else { SMALL_PART };
    let form = dice.below(4);
    if form == 0 {
        value = packed_again(&value, part_len);
    }
    // All of it is seldom lost: nothing would be left to read.
    for _ in 0..=dice.below(MOST_DAMAGED) {
        if dice.below(WHOLE_EVERY) == 0 { damage(&mut value, dice) } else { damage_within(&mut value, dice) }
    }
    if form == 1 { packed_again(&value, 1 + dice.below(part_len)) } else { value }
}

/// What a case is drawn in, and how many were.
struct Desk {
    context: Context,
    num_drawn: usize,
}

impl Desk {
    fn draw(&mut self, window: &mut WholeWindow) {
        let size = vec2(window.looks.width as f32, window.looks.height as f32);
        let input = RawInput { screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), size)), ..RawInput::default() };
        let mut output = self.context.run_ui(input, |ui| drop(window.frame(ui)));
        if self.num_drawn.is_multiple_of(TRIANGLES_EVERY) {
            self.context.tessellate(output.shapes, output.pixels_per_point);
        }
        // Textures would go to the graphics card now.
        output.textures_delta.clear();
        self.num_drawn += 1;
    }
}

/// Reads, judges and draws a state in one of its views, keeps it, and reads that again.
fn open(value: &Value, dice: &mut Dice, desk: &mut Desk) {
    let keeper = Keeper::of(&SharedSession::default());
    keeper.take_in(Kept::deserialize(value).expect("anything is read"));
    let session = std::mem::take(&mut *keeper.session().lock());
    let mut window = WholeWindow { session, ..WholeWindow::default() };
    let judging = window.choices.judging();
    window.session.rejudge(&judging);
    let views = [View::Lane, View::Compare, View::Patterns];
    window.screen.open(views[dice.below(3)], dice.below(2) == 0, dice.below(2) == 0);
    window.screen.correct(dice.below(2) == 0);
    window.screen.select((dice.below(2) == 0).then(|| dice.below(24)));
    desk.draw(&mut window);
    *keeper.session().lock() = std::mem::take(&mut window.session);
    if dice.below(2) == 0 {
        comes_back(&keeper);
    }
    // Everything is taken back: what was measured is left.
    for id in 1..=2 {
        let mut session = keeper.session().lock();
        let Some(pass) = session.pass_mut(id) else { continue };
        let num_measured = pass.measured().len();
        pass.said().iter().for_each(|said| assert!(pass.undo(&said.id, &judging)));
        assert_eq!((pass.entrances.len(), pass.said().len()), (num_measured, 0));
    }
}

/// What is kept is read again whole.
fn comes_back(keeper: &Keeper) {
    let kept = serde_json::to_value(keeper.to_keep()).expect("what was read can be kept again");
    let back = notefront::state::read(&kept);
    assert!(back.damage.is_empty(), "{:?}", back.damage);
    let session = keeper.session().lock();
    let nums = |passes: &[Pass]| passes.iter().map(|pass| (pass.id, pass.measured().len())).collect::<Vec<_>>();
    assert_eq!(nums(session.passes()), nums(&back.passes));
}

fn try_case(case: u64, projects: &Projects, desk: &mut Desk) {
    let mut dice = Dice::new(case.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let value = damaged(projects, &mut dice);
    let drawn = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| open(&value, &mut dice, desk)));
    assert!(drawn.is_ok(), "case {case}: {value}");
}

#[test]
fn a_damaged_project_is_read_judged_drawn_and_kept() {
    let num = std::env::var("NOTEFRONT_FUZZ").ok().and_then(|num| num.parse().ok()).unwrap_or(USUAL);
    let first = std::env::var("NOTEFRONT_FUZZ_FROM").ok().and_then(|from| from.parse().ok()).unwrap_or(1);
    let (projects, next) = (Projects::new(), AtomicU64::new(first));
    let work = || {
        let mut desk = Desk { context: Context::default(), num_drawn: 0 };
        loop {
            let case = next.fetch_add(1, Ordering::Relaxed);
            if case >= first + num {
                return;
            }
            try_case(case, &projects, &mut desk);
            if case.is_multiple_of(SAYS_EVERY) {
                println!("{case} cases");
            }
        }
    };
    let num_threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| (0..num_threads).for_each(|_| drop(scope.spawn(work))));
}
