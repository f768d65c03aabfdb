//! What is seen of a blind sitting: which front it is, and the keys; at its end how it went. No verdict and no picture.

use super::sitting::{Answer, Sitting};
use crate::view::theme::Theme;
use egui::{Key, RichText, ScrollArea, Ui};
use notefront_dsp::FaultName;
use notefront_takes::corrections::ear::Lines;
use notefront_takes::corrections::heard_faults;
use notefront_takes::words::word;

/// The keys of the faults, in their order.
const FAULT_KEYS: [Key; 9] =
    [Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5, Key::Num6, Key::Num7, Key::Num8, Key::Num9];
/// Widest line that is read with ease, pixels at normal text size.
const LINE_PX: f32 = 620.0;
/// Heights at normal text size, pixels: the buttons at the end; the same with two lines on what is offered.
const BUTTONS_PX: f32 = 40.0;
const OFFER_PX: f32 = 100.0;

/// What the player wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SittingWish {
    /// Hear the front again.
    Again,
    /// This is what the ear says.
    Answer(Answer),
    /// Take all answers back.
    TakeBack,
    /// Judge by these lines from now on.
    Move(Lines),
    /// End it.
    Leave,
}

/// Draws it.
pub fn show(ui: &mut Ui, sitting: &mut Sitting, theme: &Theme, text_scale: f32) -> Option<SittingWish> {
    ui.vertical(|ui| {
        ui.set_max_width(LINE_PX * text_scale);
        ui.label(RichText::new("Listening blind").heading().strong());
        ui.add_space(8.0);
        match sitting.turn() {
            Some((turn, num)) => ask(ui, sitting, turn, num, theme),
            None => tell(ui, sitting, theme, text_scale),
        }
    })
    .inner
}

fn is_pressed(ui: &Ui, key: Key) -> bool {
    ui.input(|input| input.key_pressed(key) && !input.modifiers.command && !input.modifiers.alt)
}

fn button(ui: &mut Ui, name: &str, key: Key) -> bool {
    ui.button(format!("{name}  [{}]", key.name())).clicked() || (ui.is_enabled() && is_pressed(ui, key))
}

fn ask(ui: &mut Ui, sitting: &mut Sitting, turn: usize, num: usize, theme: &Theme) -> Option<SittingWish> {
    let mut wish = None;
    ui.label(format!("Front {turn} of {num}. Is it clear?"));
    ui.add_space(8.0);
    ui.horizontal_wrapped(|ui| {
        if button(ui, "play again", Key::P) {
            wish = Some(SittingWish::Again);
        }
        // What was not heard has no answer.
        ui.add_enabled_ui(sitting.trouble.is_empty(), |ui| {
            if button(ui, "clear", Key::C) {
                wish = Some(SittingWish::Answer(Answer::Clear));
            }
            sitting.asks_which |= button(ui, "unclear", Key::U);
        });
    });
    ui.add_space(8.0);
    if sitting.asks_which {
        ui.label("Which fault?");
        ui.horizontal_wrapped(|ui| {
            let faults: Vec<FaultName> = heard_faults().collect();
            for (fault, key) in faults.into_iter().zip(FAULT_KEYS) {
                if button(ui, word(fault), key) {
                    wish = Some(SittingWish::Answer(Answer::Unclear(Some(fault))));
                }
            }
            if button(ui, "cannot say", Key::Num0) {
                wish = Some(SittingWish::Answer(Answer::Unclear(None)));
            }
        });
        ui.add_space(8.0);
    }
    if !sitting.trouble.is_empty() {
        ui.label(RichText::new(&sitting.trouble).color(theme.warm));
    }
    ui.add_space(8.0);
    if button(ui, "leave", Key::Escape) {
        wish = Some(SittingWish::Leave);
    }
    ui.label(RichText::new("What was answered so far is not kept if you leave.").color(theme.soft_ink).small());
    wish
}

fn tell(ui: &mut Ui, sitting: &Sitting, theme: &Theme, text_scale: f32) -> Option<SittingWish> {
    let mut wish = None;
    let kept = match sitting.is_taken_back {
        true => "The answers are taken back.".to_owned(),
        false => format!("{} answers. They are kept as corrections.", sitting.num_answers()),
    };
    ui.label(RichText::new(kept).color(theme.soft_ink));
    ui.add_space(8.0);
    let offered = sitting.offered.filter(|_| !sitting.is_taken_back);
    // The buttons and what is offered stand under it, whatever the window's height.
    let below_px = if offered.is_some() { OFFER_PX } else { BUTTONS_PX };
    let room = (ui.available_height() - below_px * text_scale).max(60.0);
    ScrollArea::vertical().max_height(room).show(ui, |ui| {
        for sentence in &sitting.told {
            ui.label(sentence);
            ui.add_space(4.0);
        }
    });
    if let Some(lines) = offered {
        let where_to = format!(
            "Judging by your ear moves lines to: {}, here and in every scan. The settings put them back.",
            lines.in_words()
        );
        ui.label(RichText::new(where_to).color(theme.soft_ink));
        ui.add_space(4.0);
    }
    ui.horizontal_wrapped(|ui| {
        if let Some(lines) = offered
            && ui.button("judge by my ear from now on").clicked()
        {
            wish = Some(SittingWish::Move(lines));
        }
        if ui.add_enabled(!sitting.is_taken_back, egui::Button::new("take the answers back")).clicked() {
            wish = Some(SittingWish::TakeBack);
        }
        if button(ui, "done", Key::Escape) {
            wish = Some(SittingWish::Leave);
        }
    });
    wish
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choices::Choices;
    use crate::fixture;
    use crate::kept_sound::KeptSound;
    use crate::looks::Colours;
    use crate::session::Session;
    use egui::vec2;
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;

    /// A sitting in a window that answers as the real one does, and what was wished.
    fn window() -> Harness<'static, (Sitting, Session, Vec<SittingWish>)> {
        let (mut session, kept) = (Session::default(), KeptSound::default());
        let judging = Choices::default().judging();
        session.add(fixture::mixed_pass(60, 3));
        session.rejudge(&judging);
        kept.push(1, 1_000.0, &vec![0.1; 70_000]);
        let sitting = Sitting::begin(&session, 1, &kept, 9).expect("enough");
        let draw = move |ui: &mut Ui, (sitting, session, wishes): &mut (Sitting, Session, Vec<SittingWish>)| {
            let wish = show(ui, sitting, &Theme::of(Colours::Light), 1.0);
            if let Some(SittingWish::Answer(answer)) = wish
                && sitting.answer(answer)
            {
                sitting.keep(session, &judging);
            }
            wishes.extend(wish);
        };
        Harness::builder().with_size(vec2(900.0, 600.0)).build_ui_state(draw, (sitting, session, Vec::new()))
    }

    #[test]
    fn a_sitting_is_answered_by_keys_and_tells_neither_verdict_nor_note_before_its_end() {
        let mut window = window();
        window.run();
        window.get_by_label("Front 1 of 25. Is it clear?");
        for told in ["clarity", "flagged", "Bb2", "measured"] {
            assert!(window.query_by_label_contains(told).is_none(), "{told}");
        }
        for (keys, said) in [
            (vec![Key::P], SittingWish::Again),
            (vec![Key::C], SittingWish::Answer(Answer::Clear)),
            (vec![Key::U, Key::Num0], SittingWish::Answer(Answer::Unclear(None))),
            (vec![Key::U, Key::Num1], SittingWish::Answer(Answer::Unclear(heard_faults().next()))),
        ] {
            for key in keys {
                window.key_press(key);
                window.run();
            }
            assert_eq!(window.state().2.last(), Some(&said));
        }
        // What cannot be heard is not asked about.
        window.state_mut().0.trouble = "Choose an output to listen on.".into();
        let num = window.state().2.len();
        for key in [Key::C, Key::U, Key::Num1] {
            window.key_press(key);
            window.run();
        }
        assert_eq!(window.state().2.len(), num);
        window.state_mut().0.trouble.clear();
        // A number says nothing before "unclear" does.
        let num = window.state().2.len();
        window.key_press(Key::Num1);
        window.run();
        assert_eq!(window.state().2.len(), num);
        for _ in 0..22 {
            window.key_press(Key::C);
            window.run();
        }
        window.get_by_label("25 answers. They are kept as corrections.");
        window.get_by_label_contains("Your ear and the tool agree on ");
        assert_eq!(window.state().1.passes()[0].said().len(), 20);
        // Lines are moved by the player only, and where the ear lies elsewhere.
        assert!(window.query_by_label("judge by my ear from now on").is_none());
        let lines = Lines::read("below=1.4").expect("readable");
        window.state_mut().0.offered = Some(lines);
        window.run();
        window.get_by_label_contains("moves lines to: from below 1.40 times (milder), here and in every scan.");
        window.get_by_label("judge by my ear from now on").click();
        window.run();
        assert_eq!(window.state().2.last(), Some(&SittingWish::Move(lines)));
        window.get_by_label("take the answers back").click();
        window.run();
        assert_eq!(window.state().2.last(), Some(&SittingWish::TakeBack));
    }

    #[test]
    fn every_fault_that_an_ear_can_name_has_a_key() {
        assert_eq!(heard_faults().count(), FAULT_KEYS.len());
    }
}
