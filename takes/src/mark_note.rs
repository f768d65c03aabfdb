//! The note that stands for a mark where only notes go: which key, velocity and channel mean what.

use notefront_dsp::{Articulation, Entrance, FaultName};

/// Key of the first fault of [`FaultName::ALL`]; the others follow upwards. 60 is middle C.
pub const FIRST_KEY: u8 = 60;
/// Key of a clear entrance, where those are marked too.
pub const CLEAR_KEY: u8 = FIRST_KEY - 1;
/// Length of such a note, seconds, unless the next one cuts it.
pub const NOTE_S: f64 = 0.1;
/// Velocities of a fault just at the line and of the severest.
const VELOCITIES: (f64, f64) = (1.0, 127.0);

/// One such note.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MarkNote {
    /// 0 tongued, 1 legato, 2 slurred.
    pub channel: u8,
    /// [`FIRST_KEY`] and the place of the worst fault in [`FaultName::ALL`], or [`CLEAR_KEY`].
    pub key: u8,
    /// Severity of the worst fault, 1 to 127.
    pub velocity: u8,
}

impl MarkNote {
    /// The note of an entrance.
    #[must_use]
    pub fn of(entrance: &Entrance) -> Self {
        let worst = entrance.verdict.faults.worst();
        let channel = match entrance.front.articulation {
            Articulation::Tongued => 0,
            Articulation::Legato => 1,
            Articulation::Slurred => 2,
        };
        let (key, severity) = worst.map_or((CLEAR_KEY, 0.0), |fault| (key_of(fault.name), fault.severity));
        let velocity = (VELOCITIES.1 * severity).clamp(VELOCITIES.0, VELOCITIES.1).round() as u8;
        Self { channel, key, velocity }
    }
}

/// Key of a fault.
#[must_use]
pub fn key_of(fault: FaultName) -> u8 {
    FIRST_KEY + fault as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, flagged, with};

    #[test]
    fn the_note_tells_the_worst_fault_and_how_bad_it_is() {
        let one = flagged(clear(0, 46, 1.0), FaultName::Airy, 0.2, 0.9);
        assert_eq!(MarkNote::of(&one), MarkNote { channel: 0, key: 60, velocity: 25 });
        let two = with(flagged(one, FaultName::Split, 1.0, 0.9), |e| e.front.articulation = Articulation::Slurred);
        assert_eq!(MarkNote::of(&two), MarkNote { channel: 2, key: key_of(FaultName::Split), velocity: 127 });
        assert_eq!(MarkNote::of(&clear(0, 46, 1.0)), MarkNote { channel: 0, key: 59, velocity: 1 });
        assert_eq!(key_of(FaultName::HeldBreath), 70);
    }
}
