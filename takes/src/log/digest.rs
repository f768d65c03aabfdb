//! What patterns ask of a take, packed so that millions of notes are read in a moment. Derived from the entrances: it can
//! be made anew at any time, and is where its version is older.

use super::LoggedEntrance;
use crate::corrections::apply::is_unclear_without_a_fault;
use crate::patterns::{Facet, Kind, facet, loud_db};
use crate::sheet::Position;
use notefront_dsp::{Breath, FaultName, Inhalation, Told, Tone};

/// Rises when what is packed changes.
pub(super) const VERSION: i64 = 5;
/// Bytes of a note.
pub(super) const LEN: usize = 32;
/// Those of version 3, which knew no positions.
const LEN_3: usize = 31;
/// A figure or a kind that cannot be told.
pub(super) const UNTOLD: i16 = i16::MIN;
pub(super) const NO_KIND: u8 = u8::MAX;
/// Beside the bits of the faults: unclear to the player's ear, which names none.
const BY_EAR: u16 = 1 << 15;
/// Versions 3 and 4 had no such bit: what no fault stood for was at least so clear, 0 to 100, and less only by ear.
const LEAST_CLEAR_4: u8 = 95;
/// Steps of a packed figure in its unit: tenths of ms and cents.
const STEPS: f64 = 10.0;
/// A breath is packed as ms from its end to the sound, and tens of ms that it lasts; what was heard instead as one of these.
const NO_TIME: u16 = u16::MAX;
const UNHEARD: u16 = u16::MAX - 1;
const MASKED: u16 = u16::MAX - 2;
const MOST_BREATH_MS: f64 = 60_000.0;

/// One note as the log's questions see it, packed, with the player's correction where there is one. Each figure is read when
/// it is asked for: a question asks millions of notes for a few.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DigestNote<'a>(&'a [u8; LEN]);

impl DigestNote<'_> {
    fn word(self, at: usize) -> u16 {
        u16::from_le_bytes([self.0[at], self.0[at + 1]])
    }

    fn told(self, at: usize) -> Option<f64> {
        let packed = self.word(at) as i16;
        (packed != UNTOLD).then(|| f64::from(packed) / STEPS)
    }

    fn speaks_ms(self) -> u32 {
        u32::from_le_bytes([self.0[0], self.0[1], self.0[2], self.0[3]])
    }

    /// From the take's beginning, s.
    #[must_use]
    pub fn speaks_s(self) -> f64 {
        f64::from(self.speaks_ms()) / 1e3
    }

    /// How long it sounds, s.
    #[must_use]
    pub fn length_s(self) -> f64 {
        f64::from(self.word(4)) / 100.0
    }

    /// 0 to 100, whole.
    #[must_use]
    pub fn clarity(self) -> u8 {
        self.0[6]
    }

    /// MIDI note.
    #[must_use]
    pub fn midi_note(self) -> Option<u8> {
        Some(self.0[7]).filter(|&note| note != NO_KIND)
    }

    /// ms.
    #[must_use]
    pub fn settle_ms(self) -> Option<f64> {
        self.told(8)
    }

    /// ms; `None` where there is no air to measure or it cannot be told.
    #[must_use]
    pub fn noise_before_tone_ms(self) -> Option<f64> {
        self.told(10)
    }

    /// ms, positive = late.
    #[must_use]
    pub fn timing_ms(self) -> Option<f64> {
        self.told(12)
    }

    /// Cents, with its sign.
    #[must_use]
    pub fn approach_cents(self) -> Option<f64> {
        self.told(14)
    }

    /// Cents from the nearest equal-tempered note.
    #[must_use]
    pub fn tuning_cents(self) -> Option<f64> {
        let cents = self.0[16] as i8;
        (cents != i8::MIN).then(|| f64::from(cents))
    }

    /// Level, dB re full scale.
    #[must_use]
    pub fn level_db(self) -> f64 {
        f64::from(self.0[17]) - 128.0
    }

    /// A bit for each fault, in the order of `FaultName::ALL`, and [`BY_EAR`].
    fn faults(self) -> u16 {
        self.word(18)
    }

    /// True where anything is wrong with it, or it is unclear to the player's ear.
    #[must_use]
    pub fn is_flagged(self) -> bool {
        self.faults() != 0
    }

    /// Whether it has a fault.
    #[must_use]
    pub fn has(self, fault: FaultName) -> bool {
        self.faults() & (1 << fault as u16) != 0
    }

    /// Kinds in the order of [`Facet::OF_A_NOTE`], as they are packed: [`NO_KIND`] where they are not told.
    fn packed_kinds(self) -> [Kind; Facet::OF_A_NOTE.len()] {
        let half = |kind: u8| if kind == 15 { NO_KIND } else { kind };
        [self.0[20], self.0[21], half(self.0[22] & 15), half(self.0[22] >> 4), self.0[23]]
    }

    /// Kinds in the order of [`Facet::OF_A_NOTE`].
    #[must_use]
    pub fn kinds(self) -> [Option<Kind>; Facet::OF_A_NOTE.len()] {
        self.packed_kinds().map(|kind| (kind != NO_KIND).then_some(kind))
    }

    /// What was heard of an inhalation before it.
    #[must_use]
    pub fn breath(self) -> Option<Breath> {
        breath(self.word(24), self.0[26])
    }

    /// The figures of the tone of its body, packed.
    pub(super) fn packed_tone(self) -> [u8; 4] {
        [self.0[27], self.0[28], self.0[29], self.0[30]]
    }

    /// Where the slide was, by the written notes.
    #[must_use]
    pub fn position(self) -> Option<Position> {
        Position::of_packed(self.0[31])
    }

    /// The tone of its body.
    #[must_use]
    pub fn tone(self) -> Option<Tone> {
        tone(self.packed_tone())
    }
}

/// A note as counting sees it, in whole numbers as they are packed: years of notes are counted for one question, and to make
/// figures with their units of them cost more than all else.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Counted {
    /// From the take's beginning, ms.
    pub speaks_ms: u32,
    /// 0 to 100.
    pub clarity: u8,
    /// A bit for each fault, in the order of `FaultName::ALL`, and one where it is unclear by ear; 0 = clear.
    pub faults: u16,
    /// Tenths of ms to settle, of air, and off the beat; [`UNTOLD`] where they are not told.
    pub tenths: [i16; 3],
    /// Kinds in the order of [`Facet::ALL`], but for the last two, which the day tells; [`NO_KIND`] where they are not told.
    pub kinds: [Kind; Facet::ALL.len()],
}

impl Counted {
    /// True where the player's ear alone calls it unclear, and names no fault.
    pub(super) fn is_unclear_by_ear(&self) -> bool {
        self.faults & BY_EAR != 0
    }

    /// Its faults, by their places in `FaultName::ALL`.
    pub(super) fn for_each_fault(&self, mut of: impl FnMut(usize)) {
        let mut left = self.faults & ((1 << FaultName::ALL.len()) - 1);
        while left != 0 {
            of(left.trailing_zeros() as usize);
            left &= left - 1;
        }
    }
}

impl DigestNote<'_> {
    /// As counting sees it.
    pub(super) fn counted(self) -> Counted {
        let [place, register, dynamic, articulation, interval] = self.packed_kinds();
        Counted {
            speaks_ms: self.speaks_ms(),
            clarity: self.clarity(),
            faults: self.faults(),
            tenths: [self.word(8) as i16, self.word(10) as i16, self.word(12) as i16],
            kinds: [place, register, dynamic, articulation, interval, NO_KIND, NO_KIND],
        }
    }
}

/// The notes of a take, packed.
#[must_use]
pub(super) fn pack(entrances: &[LoggedEntrance]) -> Vec<u8> {
    let loud_db = loud_db(entrances.iter().map(|logged| &logged.entrance));
    let mut bytes = Vec::with_capacity(entrances.len() * LEN);
    for (i, logged) in entrances.iter().enumerate() {
        let before = i.checked_sub(1).map(|before| &entrances[before].entrance);
        pack_note(&mut bytes, logged, &facet::kinds(before, &logged.entrance, loud_db));
    }
    bytes
}

fn pack_note(bytes: &mut Vec<u8>, logged: &LoggedEntrance, kinds: &[Option<Kind>]) {
    let (front, verdict) = (&logged.entrance.front, logged.verdict());
    let air = front.noise_before_tone_ms.ok().filter(|m| m.value > 0.0);
    let length_s = front.end_s.map_or(0.0, |end_s| end_s - front.speaks_s);
    let is_by_ear = logged.corrected.as_ref().is_some_and(is_unclear_without_a_fault);
    let by_ear = if is_by_ear { BY_EAR } else { 0 };
    let faults = verdict.faults.iter().fold(by_ear, |bits, fault| bits | 1 << fault.name as u16);
    bytes.extend(((front.speaks_s * 1e3).round().clamp(0.0, 4e9) as u32).to_le_bytes());
    bytes.extend(((length_s * 100.0).round().clamp(0.0, 65_535.0) as u16).to_le_bytes());
    bytes.push(verdict.clarity.round().clamp(0.0, 100.0) as u8);
    bytes.push(front.midi_note.unwrap_or(NO_KIND));
    for told in [front.settle_ms.ok(), air, logged.entrance.verdict.timing_ms.ok(), front.approach_cents.ok()] {
        bytes.extend(tenths(told.map(|m| m.value)).to_le_bytes());
    }
    bytes.push(small(front.tuning_cents) as u8);
    bytes.push((front.level_db + 128.0).clamp(0.0, 255.0).round() as u8);
    bytes.extend(faults.to_le_bytes());
    bytes.extend(packed_kinds(kinds));
    let (before_ms, inhaled) = packed_breath(front.evidence.breath);
    bytes.extend(before_ms.to_le_bytes());
    bytes.push(inhaled);
    bytes.extend(packed_tone(front.evidence.tone));
    bytes.push(logged.position.map_or(NO_KIND, Position::packed));
}

/// What version 3 packed, as it is packed now: to read millions of notes anew would take a minute.
pub(super) fn from_version_3(bytes: &[u8]) -> Vec<u8> {
    let notes = bytes.as_chunks::<LEN_3>().0.iter();
    from_version_4(&notes.flat_map(|note| note.iter().copied().chain([NO_KIND])).collect::<Vec<u8>>())
}

/// The same of version 4.
pub(super) fn from_version_4(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for note in bytes.as_chunks_mut::<LEN>().0 {
        if [note[18], note[19]] == [0, 0] && note[6] < LEAST_CLEAR_4 {
            note[19] = (BY_EAR >> 8) as u8;
        }
    }
    bytes
}

/// The place in a byte; the other kinds, all small, three bits and two together.
fn packed_kinds(kinds: &[Option<Kind>]) -> [u8; 4] {
    let [place, register, dynamic, articulation, interval] = std::array::from_fn(|i| kinds[i].unwrap_or(NO_KIND));
    [place, register, (dynamic & 15) | (articulation << 4), interval]
}

/// Steps of the figures of a tone: so many to a dB, a cent, a dB; brightness by the logarithm, so many to an octave over 100 Hz.
const TONE_STEPS: [f64; 4] = [4.0, 10.0, 20.0, 40.0];
const DARKEST_HZ: f64 = 100.0;
/// The figures of no tone.
pub(super) const NO_TONE: [u8; 4] = [NO_KIND; 4];

/// The figures of a tone, a byte each; 255 where there is none.
pub(super) fn packed_tone(tone: Option<Tone>) -> [u8; 4] {
    let Some(tone) = tone else { return NO_TONE };
    let octaves = (tone.brightness_hz.max(DARKEST_HZ) / DARKEST_HZ).log2();
    let figures = [tone.hnr_db, tone.pitch_wander_cents, tone.level_wander_db, octaves];
    std::array::from_fn(|i| (figures[i] * TONE_STEPS[i]).round().clamp(0.0, 254.0) as u8)
}

/// A figure of a tone from its byte, in its unit.
pub(super) fn told_tone(figure: usize, packed: f64) -> f64 {
    let told = packed / TONE_STEPS[figure];
    if figure == 3 { DARKEST_HZ * told.exp2() } else { told }
}

fn tone(packed: [u8; 4]) -> Option<Tone> {
    let told = |figure: usize| told_tone(figure, f64::from(packed[figure]));
    (packed[0] != NO_KIND).then(|| Tone {
        hnr_db: told(0),
        pitch_wander_cents: told(1),
        level_wander_db: told(2),
        brightness_hz: told(3),
    })
}

fn packed_breath(breath: Option<Breath>) -> (u16, u8) {
    match breath {
        Some(Breath::Heard(Inhalation { before_ms, length_ms })) => {
            (before_ms.round().clamp(0.0, MOST_BREATH_MS) as u16, (length_ms / 10.0).round().clamp(0.0, 255.0) as u8)
        }
        Some(Breath::Unheard) => (UNHEARD, 0),
        Some(Breath::Masked) => (MASKED, 0),
        None => (NO_TIME, 0),
    }
}

fn breath(before_ms: u16, inhaled: u8) -> Option<Breath> {
    match before_ms {
        NO_TIME => None,
        UNHEARD => Some(Breath::Unheard),
        MASKED => Some(Breath::Masked),
        ms => {
            let inhalation = Inhalation { before_ms: f64::from(ms), length_ms: 10.0 * f64::from(inhaled) };
            Some(Breath::Heard(inhalation))
        }
    }
}

/// Whole cents, -50 to 50; -128 where they cannot be told.
fn small(told: Told) -> i8 {
    told.map_or(i8::MIN, |m| m.value.round().clamp(-127.0, 127.0) as i8)
}

fn tenths(value: Option<f64>) -> i16 {
    value.filter(|v| v.is_finite()).map_or(UNTOLD, |v| (v * STEPS).round().clamp(-32_767.0, 32_767.0) as i16)
}

/// The notes of packed bytes; a rest that is no whole note is left out.
pub(super) fn unpack(bytes: &[u8]) -> impl Iterator<Item = DigestNote<'_>> {
    bytes.as_chunks().0.iter().map(DigestNote)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::corrections::Heard;
    use crate::corrections::apply::verdict_by_ear;
    use crate::fixtures;

    #[test]
    fn a_take_is_packed_and_back() {
        let take = fixtures::take();
        let logged: Vec<_> = take.entrances.iter().copied().map(LoggedEntrance::of).collect();
        let packed = pack(&logged);
        let notes: Vec<DigestNote> = unpack(&packed).collect();
        assert_eq!(notes.len(), 5);
        assert_eq!(notes[0].clarity(), 58);
        assert_eq!((notes[0].settle_ms(), notes[0].approach_cents()), (Some(112.5), Some(-41.0)));
        assert_eq!((notes[0].timing_ms(), notes[1].timing_ms()), (Some(11.5), None));
        assert!(notes[0].has(FaultName::Below) && !notes[0].has(FaultName::Split) && !notes[1].is_flagged());
        assert_eq!((notes[4].noise_before_tone_ms(), notes[4].settle_ms()), (Some(115.0), None));
        assert_eq!(notes[1].noise_before_tone_ms(), None, "no air is none to measure");
        assert!((notes[2].speaks_s() - 3.5).abs() < 1e-9 && (notes[2].length_s() - 0.8).abs() < 1e-9);
        assert_eq!(notes[0].tuning_cents(), Some(-3.0));
        for (i, note) in notes.iter().enumerate() {
            let before = i.checked_sub(1).map(|b| &take.entrances[b]);
            assert_eq!(note.kinds(), facet::kinds(before, &take.entrances[i], loud_db(&take.entrances)), "note {i}");
        }
    }

    #[test]
    fn what_was_heard_of_a_breath_is_packed_and_back() {
        let heard = |before_ms, length_ms| Some(Breath::Heard(Inhalation { before_ms, length_ms }));
        for breath in [heard(182.0, 430.0), heard(0.0, 0.0), Some(Breath::Unheard), Some(Breath::Masked), None] {
            let entrance = fixtures::with(fixtures::clear(0, 46, 1.0), |e| e.front.evidence.breath = breath);
            let packed = pack(&[LoggedEntrance::of(entrance)]);
            assert_eq!(unpack(&packed).next().expect("one note").breath(), breath);
        }
        let odd = fixtures::with(fixtures::clear(0, 46, 1.0), |e| e.front.evidence.breath = heard(f64::NAN, 1e9));
        let packed = pack(&[LoggedEntrance::of(odd)]);
        assert_eq!(unpack(&packed).next().expect("one note").breath(), heard(0.0, 2550.0));
    }

    #[test]
    fn a_tone_is_packed_and_back_in_its_steps() {
        let made = Tone { hnr_db: 23.5, pitch_wander_cents: 2.3, level_wander_db: 0.35, brightness_hz: 812.0 };
        let back = tone(packed_tone(Some(made))).expect("told");
        assert_eq!((back.hnr_db, back.pitch_wander_cents, back.level_wander_db), (23.5, 2.3, 0.35));
        // Half a step: a fortieth of an octave is 1.75 %.
        assert!((back.brightness_hz / made.brightness_hz - 1.0).abs() < 0.009, "{back:?}");
        assert_eq!(tone(packed_tone(None)), None);
    }

    #[test]
    fn the_player_s_correction_goes_before_what_was_measured() {
        let entrance = fixtures::split(0, 1.0);
        let corrected = Some(notefront_dsp::Verdict { faults: Default::default(), clarity: 100.0, ..entrance.verdict });
        let packed = pack(&[LoggedEntrance { corrected, ..LoggedEntrance::of(entrance) }]);
        let note = unpack(&packed).next().expect("one note");
        assert_eq!((note.clarity(), note.is_flagged()), (100, false));
    }

    #[test]
    fn what_is_unclear_by_ear_without_a_fault_is_unclear() {
        let clear = fixtures::clear(0, 46, 1.0);
        for (heard, is_unclear) in [(Heard::Unclear(None), true), (Heard::Fine(None), false)] {
            let corrected = Some(verdict_by_ear(&clear, &heard));
            let packed = pack(&[LoggedEntrance { corrected, ..LoggedEntrance::of(clear) }]);
            let note = unpack(&packed).next().expect("one note");
            assert_eq!((note.is_flagged(), note.counted().is_unclear_by_ear()), (is_unclear, is_unclear));
            assert!(FaultName::ALL.iter().all(|&fault| !note.has(fault)));
        }
        // Only the ear says so: a measured clarity never does, and a fault that the ear names is that fault.
        let dim = fixtures::with(clear, |e| e.verdict.clarity = 60.0);
        let packed = pack(&[LoggedEntrance::of(dim)]);
        let note = unpack(&packed).next().expect("one note");
        assert_eq!((note.is_flagged(), note.counted().is_unclear_by_ear()), (false, false));
        let corrected = Some(verdict_by_ear(&clear, &Heard::Unclear(Some(FaultName::Airy))));
        let packed = pack(&[LoggedEntrance { corrected, ..LoggedEntrance::of(clear) }]);
        let note = unpack(&packed).next().expect("one note");
        assert_eq!((note.has(FaultName::Airy), note.counted().is_unclear_by_ear()), (true, false));
    }

    #[test]
    fn what_an_earlier_version_packed_is_read_on() {
        let of = |position| LoggedEntrance { position, ..LoggedEntrance::of(fixtures::split(0, 1.0)) };
        let (without, with) = (pack(&[of(None), of(None)]), pack(&[of(Position::read("T3"))]));
        assert_eq!(unpack(&with).next().expect("one note").position(), Position::read("T3"));
        let earlier: Vec<u8> = without.chunks(LEN).flat_map(|note| &note[..LEN_3]).copied().collect();
        assert_eq!(from_version_3(&earlier), without);
        // Unclear by ear was told from the clarity.
        let clear = fixtures::clear(0, 46, 1.0);
        let corrected = Some(verdict_by_ear(&clear, &Heard::Unclear(None)));
        let now = pack(&[LoggedEntrance { corrected, ..LoggedEntrance::of(clear) }, LoggedEntrance::of(clear)]);
        let mut version_4 = now.clone();
        version_4[19] = 0;
        assert_eq!(from_version_4(&version_4), now);
        assert_eq!(unpack(&without).next().expect("two notes").position(), None);
    }
}
