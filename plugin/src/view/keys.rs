//! The keyboard: everything in the window has a key.

use super::header::{View, Wish};
use super::listen::ListenKey;
use egui::{Key, Ui};

/// What a key asked for beside the wishes of the header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyWish {
    /// As the header's.
    Toggle(Toggle),
    /// To the next or previous flagged entrance.
    StepFlagged(i32),
    /// To the next or previous entrance, flagged or not.
    StepAny(i32),
    /// Closer (positive) or wider.
    Zoom(i32),
    /// Sideways, in eighths of the window.
    Scroll(i32),
    /// The whole pass.
    Fit,
    /// Nothing selected.
    Deselect,
    /// Follow the newest pass.
    Follow,
    /// Copy where to play from to hear the selected entrance.
    CopyPlace,
    /// The selected entrance is fine as it is, or not after all.
    Fine,
    /// Something is said of the selected entrance, or of "here".
    Say(SayKey),
    /// "Here" moves by so many ms.
    Nudge(i32),
    /// What was said last is taken back.
    Undo,
    /// Listening, where there is no host that would play.
    Listen(ListenKey),
    /// Opens or closes what can be said.
    Correct,
}

/// What a key says, with what is written in the panel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SayKey {
    /// Unclear after all.
    Unclear,
    /// One was missed here.
    Added,
    /// It speaks here.
    Moved,
    /// A second one here.
    Split,
    /// No entrance.
    Removed,
    /// One with the note before.
    Joined,
    /// Another note.
    Note,
}

/// What the letters switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Toggle {
    /// Keep the pass.
    Keep,
    /// Pin the reference.
    Reference,
    /// The comparison.
    Compare,
    /// The patterns.
    Patterns,
    /// The markers panel.
    Markers,
    /// The settings.
    Settings,
}

/// The keys, with what they do: the table of the help text and of the reader below.
pub const KEYS: [(Key, bool, KeyWish, &str); 40] = [
    (Key::ArrowRight, false, KeyWish::StepFlagged(1), "next flagged entrance"),
    (Key::ArrowLeft, false, KeyWish::StepFlagged(-1), "previous flagged entrance"),
    (Key::ArrowRight, true, KeyWish::StepAny(1), "next entrance"),
    (Key::ArrowLeft, true, KeyWish::StepAny(-1), "previous entrance"),
    (Key::ArrowUp, false, KeyWish::Zoom(1), "zoom in"),
    (Key::ArrowDown, false, KeyWish::Zoom(-1), "zoom out"),
    (Key::PageDown, false, KeyWish::Scroll(4), "later"),
    (Key::PageUp, false, KeyWish::Scroll(-4), "earlier"),
    (Key::Num0, false, KeyWish::Fit, "whole pass"),
    (Key::Home, false, KeyWish::Fit, "whole pass"),
    (Key::Escape, false, KeyWish::Deselect, "deselect"),
    (Key::F, false, KeyWish::Follow, "follow the newest pass"),
    (Key::K, false, KeyWish::Toggle(Toggle::Keep), "keep"),
    (Key::R, false, KeyWish::Toggle(Toggle::Reference), "reference"),
    (Key::C, false, KeyWish::Toggle(Toggle::Compare), "compare"),
    (Key::P, false, KeyWish::Toggle(Toggle::Patterns), "patterns"),
    (Key::H, false, KeyWish::CopyPlace, "hear it: copy where to play from"),
    (Key::D, false, KeyWish::Fine, "fine as it is, or take that back"),
    (Key::U, false, KeyWish::Say(SayKey::Unclear), "unclear after all"),
    (Key::E, false, KeyWish::Correct, "correct: what else can be said"),
    (Key::Comma, false, KeyWish::Nudge(-10), "\u{201c}here\u{201d} 10 ms earlier"),
    (Key::Period, false, KeyWish::Nudge(10), "\u{201c}here\u{201d} 10 ms later"),
    (Key::Comma, true, KeyWish::Nudge(-50), "\u{201c}here\u{201d} 50 ms earlier"),
    (Key::Period, true, KeyWish::Nudge(50), "\u{201c}here\u{201d} 50 ms later"),
    (Key::A, false, KeyWish::Say(SayKey::Added), "missed one here"),
    (Key::T, false, KeyWish::Say(SayKey::Moved), "it speaks here"),
    (Key::Num2, false, KeyWish::Say(SayKey::Split), "a second one here"),
    (Key::Delete, false, KeyWish::Say(SayKey::Removed), "no entrance"),
    (Key::Backspace, false, KeyWish::Say(SayKey::Removed), "no entrance"),
    (Key::J, false, KeyWish::Say(SayKey::Joined), "one with the note before"),
    (Key::N, false, KeyWish::Say(SayKey::Note), "is another note: the one written"),
    (Key::Z, false, KeyWish::Undo, "take back what was said last"),
    (Key::Space, false, KeyWish::Listen(ListenKey::Play), "play, or stop"),
    (Key::L, false, KeyWish::Listen(ListenKey::Loop), "loop"),
    (Key::V, false, KeyWish::Listen(ListenKey::Speed), "speed, at pitch: full, \u{be}, \u{bd}"),
    (Key::W, false, KeyWish::Listen(ListenKey::Span), "how much is played: front, phrase, whole take"),
    (Key::X, false, KeyWish::Listen(ListenKey::Swap), "the same place of the other pass, at one loudness"),
    (Key::B, false, KeyWish::Listen(ListenKey::Blind), "listen blind"),
    (Key::M, false, KeyWish::Toggle(Toggle::Markers), "markers"),
    (Key::S, false, KeyWish::Toggle(Toggle::Settings), "settings"),
];

impl KeyWish {
    /// True where the wish can be followed: only a host locates, and only without one the window plays.
    #[must_use]
    pub fn is_for(self, alone: bool) -> bool {
        match self {
            Self::CopyPlace => !alone,
            Self::Listen(_) => alone,
            _ => true,
        }
    }
}

/// Keys pressed in this frame. Nothing while the player types into a field.
#[must_use]
pub fn read(ui: &Ui) -> Vec<KeyWish> {
    if ui.ctx().egui_wants_keyboard_input() {
        return Vec::new();
    }
    ui.input(|input| {
        let shift = input.modifiers.shift;
        let is_plain = !input.modifiers.command && !input.modifiers.alt;
        KEYS.iter().filter(|k| is_plain && k.1 == shift && input.key_pressed(k.0)).map(|k| k.2).collect()
    })
}

/// A header wish for a letter, given what is on show.
#[must_use]
pub fn wish(
    toggle: Toggle,
    pass: Option<&crate::passes::Pass>,
    is_reference: bool,
    view: View,
    open: (bool, bool),
) -> Option<Wish> {
    match toggle {
        Toggle::Keep => pass.map(|p| Wish::Keep(p.id, !p.kept)),
        Toggle::Reference => pass.map(|p| Wish::Pin(p.id, !is_reference)),
        Toggle::Compare => Some(Wish::View(view.toggled(View::Compare))),
        Toggle::Patterns => Some(Wish::View(view.toggled(View::Patterns))),
        Toggle::Markers => Some(Wish::Markers(!open.0)),
        Toggle::Settings => Some(Wish::Settings(!open.1)),
    }
}
