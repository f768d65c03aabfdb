//! A slide position as players write it above a note, and say it.

use serde::{Deserialize, Serialize};

/// Added to the number of a position with the attachment, where positions are kept as one number.
const TRIGGER: u8 = 8;

/// A slide position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Position {
    /// With the F attachment.
    pub trigger: bool,
    /// 1 to 7.
    pub number: u8,
}

impl Position {
    /// The position of a text such as "4", "T1", "T 2.3": a raised or lowered one is that which it is near to. `None` where it
    /// is none.
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        let text = text.trim();
        let (trigger, number) = match text.strip_prefix(['T', 't']) {
            Some(number) => (true, number.trim()),
            None => (false, text),
        };
        let number: f64 = number.parse().ok()?;
        let number = number.round();
        (1.0..=7.0).contains(&number).then_some(Self { trigger, number: number as u8 })
    }

    /// As one number.
    #[must_use]
    pub fn packed(self) -> u8 {
        self.number + if self.trigger { TRIGGER } else { 0 }
    }

    /// The position of such a number.
    #[must_use]
    pub fn of_packed(packed: u8) -> Option<Self> {
        let trigger = packed > TRIGGER;
        let number = if trigger { packed - TRIGGER } else { packed };
        (1..=7).contains(&number).then_some(Self { trigger, number })
    }
}

impl std::fmt::Display for Position {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}", if self.trigger { "T" } else { "" }, self.number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_are_read_as_they_are_written() {
        let told = |text: &str| Position::read(text).map(|p| p.to_string());
        for (text, position) in [("4", "4"), (" 1 ", "1"), ("T1", "T1"), ("t 2", "T2"), ("T 2.3", "T2"), ("6.7", "7")] {
            assert_eq!(told(text).as_deref(), Some(position), "{text}");
        }
        for text in ["", "T", "0", "8", "T9", "open", "1-2", "NaN", "inf", "-3"] {
            assert_eq!(told(text), None, "{text}");
        }
    }

    #[test]
    fn a_position_is_its_number_and_back() {
        for trigger in [false, true] {
            for number in 1..=7 {
                let position = Position { trigger, number };
                assert_eq!(Position::of_packed(position.packed()), Some(position));
            }
        }
        assert!([0, 8, 16, 255].into_iter().all(|packed| Position::of_packed(packed).is_none()));
    }
}
