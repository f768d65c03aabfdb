//! Partials, slide positions and round trips of the trombone.
//!
//! Positions follow from the harmonic series over a slide of equal-tempered semitones \[C\]; a note's
//! partial is the one of its first listed position.

use crate::entrance::{Front, Measure, Positions, SlidePosition};
use crate::settings::{Instrument, Settings};
use crate::units::hz_to_midi;

/// Pedal of the B-flat side in first position for A4 = 440 Hz: Bb1, Hz \[C\].
const B_FLAT_PEDAL_HZ: f64 = 58.270_470_189_761_24;
/// Pedal of the E-flat alto in first position for A4 = 440 Hz: Eb2, Hz \[C\].
const E_FLAT_PEDAL_HZ: f64 = 77.781_745_930_520_22;
/// Semitones the F attachment lowers the horn by \[C\].
const F_ATTACHMENT_SEMITONES: f64 = 5.0;
/// Slide range usable, positions: a little over first for lipping up, a little past seventh \[C\].
const SLIDE_RANGE: (f64, f64) = (0.8, 7.05);
/// The attachment reaches low C just past the end of a seven-position slide (7.40) \[C\].
const TRIGGER_RANGE: (f64, f64) = (0.9, 7.45);
/// Highest partial listed \[C\].
const MAX_PARTIAL: u8 = 12;
/// Highest partial listed with the attachment: above, the open slide is the usual choice \[P\].
const MAX_TRIGGER_PARTIAL: u8 = 4;

/// Slide positions that give a frequency in Hz, open ones first, nearest the bell first.
#[must_use]
pub fn positions(hz: f64, a4_hz: f64, instrument: Instrument) -> Positions {
    let scale = a4_hz / 440.0;
    let pedal_hz = scale * if instrument == Instrument::Alto { E_FLAT_PEDAL_HZ } else { B_FLAT_PEDAL_HZ };
    let mut found = Positions::default();
    for partial in 1..=MAX_PARTIAL {
        let position = 1.0 + 12.0 * (pedal_hz * f64::from(partial) / hz).log2();
        if (SLIDE_RANGE.0..=SLIDE_RANGE.1).contains(&position) {
            found.push(SlidePosition { position, trigger: false, partial });
        }
    }
    if instrument == Instrument::FAttachment {
        push_trigger_positions(&mut found, hz, pedal_hz);
    }
    found
}

fn push_trigger_positions(found: &mut Positions, hz: f64, pedal_hz: f64) {
    let longer = (F_ATTACHMENT_SEMITONES / 12.0).exp2();
    for partial in 2..=MAX_TRIGGER_PARTIAL {
        let drop = pedal_hz / longer * f64::from(partial) / hz;
        // The slide adds less pitch to the longer tube: the extension for `drop`, on the B-flat scale.
        let stretch = 1.0 + longer * (drop - 1.0);
        if stretch <= 0.0 {
            continue;
        }
        let position = 1.0 + 12.0 * stretch.log2();
        if (TRIGGER_RANGE.0..=TRIGGER_RANGE.1).contains(&position) {
            found.push(SlidePosition { position, trigger: true, partial });
        }
    }
}

/// Round trip of the bore, s: the time of one period of the pedal of the note's position.
#[must_use]
pub fn round_trip_s(hz: f64, partial: Option<u8>) -> f64 {
    f64::from(partial.unwrap_or(1)) / hz
}

/// Which way leads from one note to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Crossing {
    /// Both can only be played on one partial: the slide alone moves.
    Slide,
    /// They can only be played on different partials: the lips cross over.
    Lip,
    /// Either, by the positions chosen.
    Either,
}

/// Which way leads from one note to another, by the positions of both; `None` where one has none. A note that the open
/// slide gives is not taken on the attachment \[P\].
#[must_use]
pub fn crossing(old: &Positions, new: &Positions) -> Option<Crossing> {
    let usual = |all: &Positions| {
        let has_open = all.iter().any(|p| !p.trigger);
        let mut usual = Positions::default();
        all.iter().filter(|p| !(p.trigger && has_open)).for_each(|p| usual.push(*p));
        usual
    };
    let (old, new) = (usual(old), usual(new));
    let pairs = || old.iter().flat_map(|a| new.iter().map(move |b| a.partial == b.partial && a.trigger == b.trigger));
    match (pairs().any(|is_slide| is_slide), pairs().any(|is_slide| !is_slide)) {
        (true, false) => Some(Crossing::Slide),
        (false, true) => Some(Crossing::Lip),
        (true, true) => Some(Crossing::Either),
        (false, false) => None,
    }
}

/// Gives a front the note's name, tuning and positions for a tuning reference and a horn: what it is called is no
/// measure, and follows what the player chooses.
pub fn name_note(front: &mut Front, settings: &Settings) {
    let Ok(hz) = front.settled_hz else { return };
    let midi = hz_to_midi(hz.value, settings.a4_hz);
    front.midi_note = Some(midi.round().clamp(0.0, 127.0) as u8);
    let uncertainty = front.tuning_cents.map_or(0.0, |m| m.uncertainty);
    front.tuning_cents = Ok(Measure { value: (midi - midi.round()) * 100.0, uncertainty });
    front.positions = positions(hz.value, settings.a4_hz, settings.instrument);
    front.partial = front.positions.iter().next().map(|p| p.partial);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::midi_to_hz;
    use approx::assert_abs_diff_eq;

    fn table(midi: u8) -> Vec<(f64, bool, u8)> {
        let hz = midi_to_hz(f64::from(midi), 440.0);
        positions(hz, 440.0, Instrument::FAttachment).iter().map(|p| (p.position, p.trigger, p.partial)).collect()
    }

    #[test]
    fn the_way_between_two_notes_follows_from_their_positions() {
        let of = |midi: u8| positions(midi_to_hz(f64::from(midi), 440.0), 440.0, Instrument::Tenor);
        // The chart of the measures page: Bb2 1(2), A2 2(2); E2 7(2), Bb2 1(2); Bb2 1(2), C3 6(3); F3 1(3) 6(4), G3 4(4).
        assert_eq!(crossing(&of(46), &of(45)), Some(Crossing::Slide));
        assert_eq!(crossing(&of(40), &of(46)), Some(Crossing::Slide));
        assert_eq!(crossing(&of(46), &of(48)), Some(Crossing::Lip));
        assert_eq!(crossing(&of(53), &of(55)), Some(Crossing::Either));
        assert_eq!(crossing(&of(53), &Positions::default()), None);
        let with_trigger = |midi: u8| positions(midi_to_hz(f64::from(midi), 440.0), 440.0, Instrument::FAttachment);
        assert_eq!(crossing(&with_trigger(46), &with_trigger(45)), Some(Crossing::Slide));
    }

    #[test]
    fn positions_match_the_charts() {
        // The trombone-laws table of the measures page, computed from the harmonic series [C];
        // 0.06 of a position is its rounding.
        type Row = (u8, &'static [(f64, bool, u8)]);
        let chart: [Row; 9] = [
            (40, &[(7.0, false, 2), (2.32, true, 2)]),
            (41, &[(6.0, false, 2), (1.0, true, 2)]),
            (46, &[(1.0, false, 2)]),
            (53, &[(1.0, false, 3), (6.0, false, 4), (1.0, true, 4)]),
            (57, &[(2.0, false, 4), (5.9, false, 5)]),
            (62, &[(0.86, false, 5), (4.0, false, 6), (6.7, false, 7)]),
            (65, &[(1.0, false, 6), (3.7, false, 7), (6.0, false, 8)]),
            (70, &[(1.0, false, 8), (3.0, false, 9), (4.9, false, 10)]),
            (34, &[(1.0, false, 1)]),
        ];
        for (midi, expected) in chart {
            let found = table(midi);
            for &(position, trigger, partial) in expected {
                let hit = found.iter().find(|f| f.1 == trigger && f.2 == partial);
                let hit = hit.unwrap_or_else(|| panic!("midi {midi}: no {position} on {partial} in {found:?}"));
                assert_abs_diff_eq!(hit.0, position, epsilon = 0.06);
            }
        }
    }

    #[test]
    fn the_attachment_reaches_low_c() {
        assert!(table(36).iter().any(|p| p.1 && (p.0 - 7.4).abs() < 0.01));
    }

    #[test]
    fn a_round_trip_is_the_pedals_period() {
        // 17.2 ms in first position, 24.3 ms in seventh [C].
        assert_abs_diff_eq!(round_trip_s(116.54, Some(2)) * 1e3, 17.2, epsilon = 0.05);
        assert_abs_diff_eq!(round_trip_s(82.41, Some(2)) * 1e3, 24.3, epsilon = 0.05);
    }
}
