//! How a take is listened to where no host plays it: which stretch, how fast, over and over; as plain data, and its buttons.

use crate::passes::{Pass, PassId};
use egui::{RichText, Ui};
/// Sound before an entrance and after it, s: the player hears where it comes from. As on the page.
pub use notefront_takes::report::sound::{AFTER_S, BEFORE_S};

/// A phrase ends where nothing begins for so long after a note has ended, s.
const REST_S: f64 = 0.6;
/// A phrase reaches no further than this from the entrance, s.
const LONGEST_S: f64 = 12.0;

/// How fast, at pitch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Speed {
    /// As it was played.
    #[default]
    Full,
    /// Three quarters.
    ThreeQuarters,
    /// Half.
    Half,
}

impl Speed {
    /// 1, 0.75 or 0.5.
    #[must_use]
    pub fn value(self) -> f64 {
        match self {
            Self::Full => 1.0,
            Self::ThreeQuarters => 0.75,
            Self::Half => 0.5,
        }
    }

    fn next(self) -> Self {
        match self {
            Self::Full => Self::ThreeQuarters,
            Self::ThreeQuarters => Self::Half,
            Self::Half => Self::Full,
        }
    }

    fn word(self) -> &'static str {
        match self {
            Self::Full => "full",
            Self::ThreeQuarters => "\u{be}",
            Self::Half => "\u{bd}",
        }
    }
}

/// How much is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Span {
    /// The entrance, from 300 ms before.
    #[default]
    Front,
    /// From rest to rest around it.
    Phrase,
    /// All from there on.
    Take,
}

impl Span {
    fn next(self) -> Self {
        match self {
            Self::Front => Self::Phrase,
            Self::Phrase => Self::Take,
            Self::Take => Self::Front,
        }
    }

    fn word(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Phrase => "phrase",
            Self::Take => "whole take",
        }
    }

    /// The stretch of a pass around a time, both s.
    #[must_use]
    pub fn around(self, pass: &Pass, at_s: f64) -> (f64, f64) {
        let within = |from: f64, to: f64| (from.max(0.0), to.min(pass.duration_s));
        match self {
            Self::Front => within(at_s - BEFORE_S, at_s + AFTER_S),
            Self::Phrase => phrase(pass, at_s).map_or((at_s, at_s), |(from, to)| within(from, to)),
            Self::Take => within(at_s - BEFORE_S, pass.duration_s),
        }
    }
}

/// From rest to rest around a time, s.
fn phrase(pass: &Pass, at_s: f64) -> Option<(f64, f64)> {
    let fronts: Vec<(f64, Option<f64>)> = pass.entrances.iter().map(|e| (e.front.speaks_s, e.front.end_s)).collect();
    let here = fronts.partition_point(|f| f.0 <= at_s).saturating_sub(1);
    let rests = |i: usize| fronts[i + 1].0 - fronts[i].1.unwrap_or(fronts[i].0 + REST_S) > REST_S;
    let now_s = fronts.get(here)?.0;
    let first = (0..here).rev().take_while(|&i| !rests(i) && now_s - fronts[i].0 < LONGEST_S).last().unwrap_or(here);
    let on = (here + 1..fronts.len()).take_while(|&i| !rests(i - 1) && fronts[i].0 - now_s < LONGEST_S);
    let last = on.last().unwrap_or(here);
    let end_s = fronts[last].1.unwrap_or(fronts[last].0).max(at_s + AFTER_S);
    Some((at_s.min(fronts[first].0) - BEFORE_S, end_s + 0.2))
}

/// What a key or a button asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ListenKey {
    /// Play, or stop.
    Play,
    /// Over and over, or once.
    Loop,
    /// The next speed.
    Speed,
    /// The next stretch.
    Span,
    /// The same place of the other pass.
    Swap,
    /// A blind sitting.
    Blind,
}

/// What is to be heard.
#[derive(Debug, Clone, PartialEq)]
pub enum ListenWish {
    /// A stretch of a pass.
    Hear(Stretch),
    /// Nothing more.
    Stop,
    /// A blind sitting, beginning with the fronts of this pass.
    Blind(PassId),
}

/// A stretch of a pass, and how it is heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Of which pass.
    pub pass: PassId,
    /// From where and to where, s.
    pub span_s: (f64, f64),
    /// How fast.
    pub speed: Speed,
    /// Over and over.
    pub is_looped: bool,
    /// Passes that are to be as loud.
    pub beside: Vec<PassId>,
}

/// How the player listens, and what sounds.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Listening {
    /// How fast.
    pub speed: Speed,
    /// How much.
    pub span: Span,
    /// Over and over.
    pub is_looped: bool,
    /// Which pass sounds, and where in it, s.
    pub playing: Option<(PassId, f64)>,
    /// Why nothing is heard, or what is waited for.
    pub trouble: String,
}

impl Listening {
    /// Follows a key that changes how it is listened.
    pub fn change(&mut self, key: ListenKey) {
        match key {
            ListenKey::Loop => self.is_looped = !self.is_looped,
            ListenKey::Speed => self.speed = self.speed.next(),
            ListenKey::Span => self.span = self.span.next(),
            ListenKey::Play | ListenKey::Swap | ListenKey::Blind => {}
        }
    }

    /// The stretch around a time of a pass, as it is listened now.
    #[must_use]
    pub fn stretch(&self, pass: &Pass, at_s: f64) -> Stretch {
        let span_s = self.span.around(pass, at_s);
        Stretch { pass: pass.id, span_s, speed: self.speed, is_looped: self.is_looped, beside: Vec::new() }
    }
}

/// The buttons. What stands in the way of hearing is told by whoever plays.
pub fn show(ui: &mut Ui, listening: &Listening) -> Option<ListenKey> {
    let mut wish = None;
    ui.horizontal_wrapped(|ui| {
        let is_playing = listening.playing.is_some();
        for (name, is_on, key, why) in [
            (if is_playing { "stop" } else { "play" }, is_playing, ListenKey::Play, "From 300 ms before (space)"),
            ("loop", listening.is_looped, ListenKey::Loop, "Over and over (L)"),
            (listening.speed.word(), false, ListenKey::Speed, "Speed, at pitch: full, \u{be} or \u{bd} (V)"),
            (listening.span.word(), false, ListenKey::Span, "How much: front, phrase or whole take (W)"),
            ("A / B", false, ListenKey::Swap, "The same place of the pass it is compared with, as loud (X)"),
        ] {
            let button = egui::Button::selectable(is_on, RichText::new(name).small()).frame_when_inactive(true);
            if ui.add(button).on_hover_text(why).clicked() {
                wish = Some(key);
            }
        }
    });
    wish
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn a_front_a_phrase_and_a_take_are_played_around_an_entrance() {
        // Notes last 0.7 s: a rest follows the third and the fourth.
        let mut pass = fixture::pass_at_60(&[1.0, 2.0, 3.0, 6.0, 8.0]);
        pass.duration_s = 9.0;
        let close = |(a, b): (f64, f64), (c, d): (f64, f64)| (a - c).abs() < 1e-9 && (b - d).abs() < 1e-9;
        assert!(close(Span::Front.around(&pass, 2.0), (1.7, 3.0)));
        assert!(close(Span::Phrase.around(&pass, 2.0), (0.7, 3.9)));
        assert!(close(Span::Phrase.around(&pass, 6.0), (5.7, 7.2)));
        assert!(close(Span::Take.around(&pass, 2.0), (1.7, 9.0)));
        assert!(close(Span::Front.around(&pass, 0.1), (0.0, 1.1)));
        let none = fixture::pass_at_60(&[]);
        assert!(close(Span::Phrase.around(&none, 0.5), (0.5, 0.5)));
    }

    #[test]
    fn keys_change_how_it_is_listened() {
        let mut listening = Listening::default();
        let mut speeds = Vec::new();
        for _ in 0..3 {
            listening.change(ListenKey::Speed);
            speeds.push(listening.speed.value());
        }
        assert_eq!(speeds, [0.75, 0.5, 1.0]);
        listening.change(ListenKey::Loop);
        listening.change(ListenKey::Span);
        assert!(listening.is_looped && listening.span == Span::Phrase);
    }
}
