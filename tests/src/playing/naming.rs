//! What the name of a recording tells: `INSTRUMENT_NOTE_LENGTH_DYNAMIC_ARTICULATION.wav`.

/// The parts of a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Name {
    /// `trombone`, `french-horn` and so on.
    pub instrument: String,
    /// The MIDI note that the name says: not always what sounds.
    pub nominal_midi: i32,
    /// `025`, `05`, `1`, `15` (quarters of a second, half and so on), `long`, `very-long`, `phrase`.
    pub length: String,
    /// `pianissimo` to `fortissimo`.
    pub dynamic: String,
    /// `normal`, `legato` and so on.
    pub articulation: String,
}

/// Lengths of single notes.
const SINGLE_LENGTHS: [&str; 4] = ["025", "05", "1", "15"];
/// Trombone notes that sound something else than name and rule say, with what they sound. Measured with Praat's
/// autocorrelation and checked in the spectrum: E2 holds an E4, Fs3 an F-sharp 2; E6 falls by a semitone from 616 Hz
/// and is no one note.
const MISNAMED: [(&str, Option<u8>); 3] = [
    ("trombone_E2_15_mezzo-forte_normal", Some(64)),
    ("trombone_Fs3_1_pianissimo_normal", Some(42)),
    ("trombone_E6_025_forte_normal", None),
];

impl Name {
    /// The parts of a file name without its ending; `None` when it is not of this form.
    #[must_use]
    pub fn of(stem: &str) -> Option<Self> {
        let parts: Vec<&str> = stem.split('_').collect();
        let [instrument, note, length, dynamic, articulation] = parts[..] else { return None };
        Some(Self {
            instrument: instrument.to_owned(),
            nominal_midi: midi(note)?,
            length: length.to_owned(),
            dynamic: dynamic.to_owned(),
            articulation: articulation.to_owned(),
        })
    }

    /// True for one plain note.
    #[must_use]
    pub fn is_single(&self) -> bool {
        self.articulation == "normal" && SINGLE_LENGTHS.contains(&self.length.as_str())
    }

    /// What a single note sounds: the pitch class of its name in the octave that was measured.
    ///
    /// Loud trombone notes (forte, fortissimo) are named an octave high, all but the E2. Checked with Praat's
    /// autocorrelation on 354 trombone and 479 horn notes: within half a semitone on all but three trombone notes, which
    /// stand in a list of their own, and eight low horn notes where Praat hears another multiple or wavers.
    #[must_use]
    pub fn sounding_midi(&self, stem: &str) -> Option<u8> {
        if let Some((_, sounding)) = MISNAMED.iter().find(|(name, _)| *name == stem) {
            return *sounding;
        }
        let is_loud = matches!(self.dynamic.as_str(), "forte" | "fortissimo");
        let is_octave_high = self.instrument == "trombone" && is_loud && self.nominal_midi != 40;
        u8::try_from(self.nominal_midi - if is_octave_high { 12 } else { 0 }).ok()
    }
}

/// True for percussion, whose names leave the note out: `woodblock__phrase_mezzo-piano_rhythm`.
#[must_use]
pub fn is_percussion(stem: &str) -> bool {
    let parts: Vec<&str> = stem.split('_').collect();
    parts.len() == 5 && parts[1].is_empty()
}

/// True for a kind of percussion that the scores are fitted to: `KNOCKS` of `chores/fit/takes.py`. The others are held out.
#[must_use]
pub fn is_fitted_percussion(stem: &str) -> bool {
    stem.starts_with(['c', 's', 't', 'w'])
}

/// MIDI number of a note written as `Fs3`.
fn midi(note: &str) -> Option<i32> {
    let octave: i32 = note.get(note.len().checked_sub(1)?..)?.parse().ok()?;
    let class = ["C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B"]
        .iter()
        .position(|class| *class == &note[..note.len() - 1])?;
    Some(12 * (octave + 1) + class as i32)
}

/// The register of a note, in the steps of the page of professional fronts.
#[must_use]
pub fn register(midi: u8) -> &'static str {
    match midi {
        ..=44 => "to G#2",
        45..=51 => "A2 to D#3",
        52..=58 => "E3 to A#3",
        59..=65 => "B3 to F4",
        66.. => "F#4 up",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_tells_its_note_and_loud_ones_are_an_octave_high() {
        let sounding = |stem: &str| Name::of(stem).and_then(|name| name.sounding_midi(stem));
        assert_eq!(sounding("trombone_As3_05_piano_normal"), Some(58));
        assert_eq!(sounding("trombone_As3_05_forte_normal"), Some(46));
        assert_eq!(sounding("trombone_E2_05_forte_normal"), Some(40));
        assert_eq!(sounding("french-horn_Fs3_1_forte_normal"), Some(54));
        assert_eq!(sounding("trombone_E6_025_forte_normal"), None);
    }

    #[test]
    fn what_is_no_name_of_this_form_is_none() {
        assert_eq!(Name::of("chamber-trombone"), None);
        assert_eq!(Name::of("trombone_H3_05_piano_normal"), None);
        assert!(!Name::of("trombone_As3_phrase_mezzo-forte_legato").expect("a name").is_single());
    }

    #[test]
    fn percussion_has_no_note_in_its_name_and_some_kinds_of_it_are_held_out() {
        assert!(
            is_percussion("woodblock__phrase_mezzo-piano_rhythm") && is_percussion("bass-drum__05_mezzo-forte_rute")
        );
        assert!(!is_percussion("trombone_As3_phrase_mezzo-forte_legato") && !is_percussion("castanets_dry"));
        assert!(is_fitted_percussion("woodblock__phrase_mezzo-piano_rhythm"));
        assert!(!is_fitted_percussion("bass-drum__05_mezzo-forte_rute"));
    }
}
