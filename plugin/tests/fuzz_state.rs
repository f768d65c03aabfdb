//! Damaged projects: whatever stands in a state, it is read, judged and drawn without a panic. A few hundred cases in the usual
//! run; `NOTEFRONT_FUZZ=1000000` tries so many.
#![allow(missing_docs)]

use egui::vec2;
use egui_kittest::Harness;
use notefront::choices::Choices;
use notefront::fixture;
use notefront::session::Session;
use notefront::state::{self, SavedSession};
use notefront::view::header::View;
use notefront::whole_window::WholeWindow;
use serde_json::{Value, json};

/// Cases of the usual run.
const USUAL: u64 = 300;
/// How often a long run tells how far it is.
const SAYS_EVERY: u64 = 10_000;
/// Places that are damaged in a case, at most.
const MOST_DAMAGED: u64 = 6;

/// Numbers by Marsaglia's xorshift (2003, Journal of Statistical Software 8:14).
struct Dice(u64);

impl Dice {
    fn below(&mut self, most: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % most.max(1)
    }
}

/// Two passes as a project keeps them, lying open.
fn whole() -> Value {
    let mut session = Session::default();
    session.add(fixture::showcase(0));
    session.add(fixture::mixed_pass(24, 2));
    let judging = Choices::default().judging();
    session.rejudge(&judging);
    let pass = session.pass_mut(2).expect("the second");
    assert!(fixture::say_everything(pass, &judging));
    fixture::laid_open(&serde_json::to_value(SavedSession::of(&session)).expect("plain data"))
}

/// What a damaged place may hold.
fn odd(dice: &mut Dice) -> Value {
    let odd = [
        json!(1e308),
        json!(-1e308),
        json!(1e-308),
        json!(0),
        json!(-1),
        json!(u64::MAX),
        json!(i64::MIN),
        json!(1e9),
        json!(-1e9),
        json!(44_100),
        Value::Null,
        json!(true),
        json!("x"),
        json!([]),
        json!({}),
        json!([[[]]]),
    ];
    odd[dice.below(odd.len() as u64) as usize].clone()
}

/// Walks down by chance, and damages what it comes to.
fn damage(value: &mut Value, dice: &mut Dice) {
    if dice.below(8) == 0 {
        *value = odd(dice);
        return;
    }
    match value {
        Value::Array(items) if !items.is_empty() => {
            let at = dice.below(items.len() as u64) as usize;
            match dice.below(10) {
                0 => drop(items.remove(at)),
                1 => items.push(items[at].clone()),
                _ => damage(&mut items[at], dice),
            }
        }
        Value::Object(fields) if !fields.is_empty() => {
            let key = fields.keys().nth(dice.below(fields.len() as u64) as usize).cloned().expect("one of them");
            match dice.below(12) {
                0 => drop(fields.remove(&key)),
                _ => damage(fields.get_mut(&key).expect("it is there"), dice),
            }
        }
        other => *other = odd(dice),
    }
}

/// A window that one case after the other is drawn in: a new one each time would spend nine tenths of the time on its fonts.
fn window() -> Harness<'static, WholeWindow> {
    let draw = |ui: &mut egui::Ui, window: &mut WholeWindow| drop(window.frame(ui));
    Harness::builder().with_size(vec2(1000.0, 640.0)).build_ui_state(draw, WholeWindow::default())
}

/// Reads, judges and draws a state in one of its views.
fn open(value: &Value, dice: &mut Dice, harness: &mut Harness<'static, WholeWindow>) {
    let saved = state::read(value);
    let mut window = WholeWindow::default();
    window.session.restore(saved.passes, saved.reference, saved.damage);
    window.session.rejudge(&window.choices.judging());
    let views = [View::Lane, View::Compare, View::Patterns];
    window.screen.open(views[dice.below(3) as usize], dice.below(2) == 0, dice.below(2) == 0);
    window.screen.correct(dice.below(2) == 0);
    window.screen.select((dice.below(2) == 0).then(|| dice.below(24) as usize));
    *harness.state_mut() = window;
    harness.step();
    // Everything is taken back: what was measured is left.
    let judging = harness.state().choices.judging();
    for id in 1..=2 {
        let Some(pass) = harness.state_mut().session.pass_mut(id) else { continue };
        let num_measured = pass.measured().len();
        pass.said().iter().for_each(|said| assert!(pass.undo(&said.id, &judging)));
        assert_eq!((pass.entrances.len(), pass.said().len()), (num_measured, 0));
    }
    let kept = SavedSession::of(&harness.state().session);
    serde_json::to_string(&kept).expect("what was read can be kept again");
}

#[test]
fn a_damaged_project_is_read_judged_drawn_and_kept() {
    let num = std::env::var("NOTEFRONT_FUZZ").ok().and_then(|num| num.parse().ok()).unwrap_or(USUAL);
    let (whole, mut harness) = (whole(), window());
    for case in 1..=num {
        let mut dice = Dice(case.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        let mut value = whole.clone();
        for _ in 0..=dice.below(MOST_DAMAGED) {
            damage(&mut value, &mut dice);
        }
        let drawn = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| open(&value, &mut dice, &mut harness)));
        assert!(drawn.is_ok(), "case {case}: {value}");
        if case % SAYS_EVERY == 0 {
            println!("{case} cases");
        }
    }
}
