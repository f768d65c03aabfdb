//! The front of one entrance: what was measured of one attack, and nothing that was made of it. Names and units are
//! those of the measures page: instants in seconds from the first sample, intervals in ms, pitch in cents, level in dB.

/// Why a measure is not told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum CannotTell {
    /// The note is too short for it.
    TooShort,
    /// The note is too soft against the room.
    TooSoft,
    /// The sound before (a note's tail, the room) covers it.
    Masked,
    /// There was no silence before it in which it could be heard.
    NoSilenceBefore,
    /// No pitch can be told there.
    NoPitch,
    /// A slurred entrance has no attack of its own.
    Slurred,
    /// No grid was given or found.
    NoGrid,
    /// The take is not played to the beat there is.
    NotToBeat,
    /// One of the notes with which the ending broadens.
    Broadened,
    /// No air before the tone, so it has no level.
    NoAir,
    /// The take begins inside the note.
    CutOff,
    /// The tone after the attack does not hold: there is no body to be louder than.
    NoBody,
    /// It did not grow out of the note before.
    NotConnected,
    /// The note before has the same pitch.
    SamePitch,
    /// It was quiet enough to hear an inhalation, and none was heard.
    NoBreath,
    /// Kept by a version that did not measure it.
    NotMeasured,
}

/// A value with its uncertainty (half width, about 90 % of cases), in the unit of the field.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Measure {
    /// The value.
    pub value: f64,
    /// Half width of the interval it lies in.
    pub uncertainty: f64,
}

/// A measure, or why there is none.
pub type Told = Result<Measure, CannotTell>;

/// How the note began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Articulation {
    /// A start from silence, or with a clear gap: tongue or breath.
    Tongued,
    /// A shallow dip between two notes.
    Legato,
    /// A change of pitch without an attack of its own.
    Slurred,
}

/// A slide position that gives the note. Positions of an F attachment are on the scale of
/// B-flat positions (T 1.0 = F, T 7.4 = C).
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct SlidePosition {
    /// 1.0 to 7.5, fractions allowed.
    pub position: f64,
    /// With the F attachment engaged.
    pub trigger: bool,
    /// The partial the note is on there.
    pub partial: u8,
}

/// Most positions one note is listed with \[T\].
pub const MAX_POSITIONS: usize = 6;

/// Positions of a note, the most usual first.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Positions([Option<SlidePosition>; MAX_POSITIONS]);

impl Positions {
    /// Adds one; further ones than there is room for are left out.
    pub fn push(&mut self, position: SlidePosition) {
        if let Some(free) = self.0.iter_mut().find(|p| p.is_none()) {
            *free = Some(position);
        }
    }

    /// All of them, the most usual first.
    pub fn iter(&self) -> impl Iterator<Item = &SlidePosition> {
        self.0.iter().flatten()
    }
}

/// What was seen beside the measures: the evidence behind faults, and the way from the note before.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub struct Evidence {
    /// Began on another partial: interval to the settled pitch in cents, and how long it lasted in ms.
    pub split: Option<Split>,
    /// Began twice: time between the starts in ms, and depth of the dip in dB.
    pub stutter: Option<Stutter>,
    /// The slide was under way: mean rate in cents/s towards the pitch, and how long in ms.
    pub smear: Option<Smear>,
    /// How likely the sound ahead of the tone is air, 0..1; `None` where there is none, or it was told without.
    pub air_probability: Option<f64>,
    /// Silence between the end of an audible inhalation and the sound, in ms.
    pub held_breath_ms: Option<f64>,
    /// What was heard of an inhalation before it; `None` where there was no time for one after the note before. Told, never
    /// judged.
    pub breath: Option<Breath>,
    /// The tone of the body it settles into; `None` where that is too short or does not hold. Told, never judged.
    pub tone: Option<Tone>,
    /// The take is clipped within the front.
    pub clipped: bool,
    /// The way from the note before, where this one grew out of it: legato or slurred. Told, never judged.
    pub passage: Option<Passage>,
}

/// The way from one note to the next that grows out of it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Passage {
    /// From a tenth to nine tenths of the way from what the old pitch explains of the sound to what the new one does, ms;
    /// untold where both are one pitch, or a note is too short.
    pub length_ms: Told,
    /// How far the level falls on the way under the softer of both notes, dB.
    pub dip_db: f64,
    /// A partial between the two that sounded on the way.
    pub between: Option<Between>,
}

/// The tone of the body of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Tone {
    /// Harmonics over noise, dB, in the band under 5 kHz (Boersma 1993).
    pub hnr_db: f64,
    /// Standard deviation of the pitch, cents, vibrato taken out; a drift counts.
    pub pitch_wander_cents: f64,
    /// Standard deviation of the level, dB, vibrato taken out, and swelling or fading too.
    pub level_wander_db: f64,
    /// Brightness: centroid of the harmonics up to 4.5 kHz by their amplitudes, Hz.
    pub brightness_hz: f64,
}

/// What was heard of an inhalation in the time before a note.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Breath {
    /// One was heard; of several the last.
    Heard(Inhalation),
    /// It was quiet enough to hear one, and none was heard.
    Unheard,
    /// The room, or the tail of the note before, is too loud to hear one.
    Masked,
}

/// An inhalation before a note.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Inhalation {
    /// How long it is heard, ms; less than it lasts where the note before covers its beginning.
    pub length_ms: f64,
    /// From its end to the first sound of the note, ms.
    pub before_ms: f64,
}

/// A partial that sounds between two notes.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Between {
    /// Its pitch relative to the new note, cents.
    pub interval_cents: f64,
    /// How long it sounds, ms.
    pub duration_ms: f64,
}

/// A start on another partial.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Split {
    /// Pitch of the wrong partial relative to the settled pitch, cents.
    pub interval_cents: f64,
    /// How long it sounded, ms.
    pub duration_ms: f64,
}

/// Two starts of the same note.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Stutter {
    /// From the first start to the second, ms.
    pub gap_ms: f64,
    /// Depth of the dip between them, dB.
    pub dip_db: f64,
}

/// A pitch that slides in.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Smear {
    /// Mean rate, cents per second.
    pub rate_cents_per_s: f64,
    /// How far it slid, cents (negative = from below).
    pub depth_cents: f64,
    /// How long, ms.
    pub duration_ms: f64,
    /// How likely it is a slide at all and not lips that find their pitch, 0..1.
    #[cfg_attr(feature = "serde", serde(default = "surely"))]
    pub probability: f64,
}

/// What was told before it was told how surely.
#[cfg(feature = "serde")]
fn surely() -> f64 {
    1.0
}

/// Points of a front's picture: from 100 ms before the onset on, one every [`FRONT_STEP_MS`] \[T\].
pub const FRONT_POINTS: usize = 128;
/// Distance of two points of the picture, in ms \[D\].
pub const FRONT_STEP_MS: f64 = 4.0;
/// Time of the first point relative to the onset, in ms \[D\].
pub const FRONT_START_MS: f64 = -100.0;

/// The front drawn: pitch, tone level and air level over time, for lanes and close-ups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrontPicture {
    /// Pitch in cents from the settled pitch; NaN where it cannot be told.
    pub pitch_cents: [f32; FRONT_POINTS],
    /// Harmonic level, dB relative to the settled tone.
    pub tone_db: [f32; FRONT_POINTS],
    /// Level of the rest (air, tongue, room), dB relative to the settled tone.
    pub noise_db: [f32; FRONT_POINTS],
}

/// The uncertainty of the instants, ms (half widths).
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct InstantUncertainty {
    /// Of `sound_start_s`.
    pub sound_start_ms: f64,
    /// Of `onset_s`.
    pub onset_ms: f64,
    /// Of `speaks_s`.
    pub speaks_ms: f64,
}

/// The front of one entrance as it was measured. It never changes with what is asked of it: what is clear and what
/// is not is a [`Verdict`](crate::Verdict) over it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Front {
    /// Place in the take, from 0.
    pub index: usize,
    /// First sound that belongs to the entrance: air, tongue or tone.
    pub sound_start_s: f64,
    /// The harmonic level first reaches -20 dB of the attack peak.
    pub onset_s: f64,
    /// The harmonic level first reaches -12 dB of the attack peak: the perceptual onset.
    pub speaks_s: f64,
    /// How exact the three instants are.
    pub instant_uncertainty: InstantUncertainty,
    /// End of the note; `None` while it still sounds.
    pub end_s: Option<f64>,
    /// Nearest equal-tempered note; `None` without a settled pitch.
    pub midi_note: Option<u8>,
    /// Settled frequency, Hz.
    pub settled_hz: Told,
    /// Settled pitch against the nearest equal-tempered note, cents.
    pub tuning_cents: Told,
    /// Partial in the most usual position.
    pub partial: Option<u8>,
    /// Slide positions that give the note.
    pub positions: Positions,
    /// How it began.
    pub articulation: Articulation,
    /// Air before the tone, ms; 0 when there is none.
    pub noise_before_tone_ms: Told,
    /// Level of that air relative to the settled tone, dB.
    pub noise_before_tone_db: Told,
    /// Mean distance from the settled pitch while the note speaks, weighted by loudness, cents.
    pub approach_cents: Told,
    /// First measurable pitch relative to the settled pitch, cents.
    pub onset_cents: Told,
    /// From the onset until the note speaks, ms.
    pub speak_ms: Told,
    /// From the onset to the last instant outside +-10 cents, ms.
    pub settle_ms: Told,
    /// 20 % to 90 % of the attack peak, ms.
    pub attack_ms: Told,
    /// MPEG-7 LogAttackTime, log10 of seconds.
    pub log_attack_time: Told,
    /// Slope of the log harmonic level over the attack, dB/s.
    pub growth_db_per_s: Told,
    /// Level of the attack over the body it drops to, dB.
    pub overshoot_db: Told,
    /// Settled tone level, dB re full scale (RMS of a full-scale sine is -3.01 dB).
    pub level_db: f64,
    /// What was seen beside the measures.
    pub evidence: Evidence,
    /// The front drawn. Not kept in saved state.
    #[cfg_attr(feature = "serde", serde(skip, default = "FrontPicture::empty"))]
    pub picture: FrontPicture,
}

impl Front {
    /// How long the way from the note before takes, ms.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn passage_ms(&self) -> Told {
        self.passage().and_then(|passage| passage.length_ms)
    }

    /// How far the level falls on the way from the note before, dB.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn dip_db(&self) -> Told {
        self.passage().map(|passage| Measure { value: passage.dip_db, uncertainty: DIP_WIDTH_DB })
    }

    /// From the end of the inhalation before it to its first sound, ms.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn breath_to_sound_ms(&self) -> Told {
        let uncertainty = BREATH_WIDTH_MS + self.instant_uncertainty.sound_start_ms;
        self.inhalation().map(|breath| Measure { value: breath.before_ms, uncertainty })
    }

    /// The tone of its body.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn tone(&self) -> Result<Tone, CannotTell> {
        let has_no_body = self.overshoot_db == Err(CannotTell::NoBody);
        self.evidence.tone.ok_or(if has_no_body { CannotTell::NoBody } else { CannotTell::TooShort })
    }

    /// Harmonics over noise in its body, dB.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn hnr_db(&self) -> Told {
        self.tone().map(|tone| Measure { value: tone.hnr_db, uncertainty: HNR_WIDTH_DB })
    }

    /// How far its pitch wanders, cents.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn pitch_wander_cents(&self) -> Told {
        self.tone().map(|tone| wander(tone.pitch_wander_cents, LEAST_WANDER_WIDTH_CENTS))
    }

    /// How far its level wanders, dB.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn level_wander_db(&self) -> Told {
        self.tone().map(|tone| wander(tone.level_wander_db, LEAST_WANDER_WIDTH_DB))
    }

    /// Its brightness, Hz.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn brightness_hz(&self) -> Told {
        self.tone().map(|tone| Measure { value: tone.brightness_hz, uncertainty: BRIGHT_WIDTH * tone.brightness_hz })
    }

    /// How long the inhalation before it is heard, ms.
    ///
    /// # Errors
    /// Why that is not told.
    pub fn inhaled_ms(&self) -> Told {
        self.inhalation().map(|breath| Measure { value: breath.length_ms, uncertainty: 2.0 * BREATH_WIDTH_MS })
    }

    fn inhalation(&self) -> Result<Inhalation, CannotTell> {
        match self.evidence.breath {
            Some(Breath::Heard(inhalation)) => Ok(inhalation),
            Some(Breath::Unheard) => Err(CannotTell::NoBreath),
            Some(Breath::Masked) => Err(CannotTell::Masked),
            None => Err(CannotTell::NoSilenceBefore),
        }
    }

    fn passage(&self) -> Result<Passage, CannotTell> {
        let is_connected = self.articulation != Articulation::Tongued;
        self.evidence.passage.ok_or(if is_connected { CannotTell::NotMeasured } else { CannotTell::NotConnected })
    }
}

/// Half width of a dip, dB: harmonics of both notes beat in the mean of a level on the way \[C\], see the test of dips.
const DIP_WIDTH_DB: f64 = 1.2;

/// Half width of either end of an inhalation, ms: a step of the frames \[C\], see the test of made ones.
const BREATH_WIDTH_MS: f64 = 2.5;

/// Half width of harmonics over noise, dB: six windows of six periods \[C\], see the test of made noise.
const HNR_WIDTH_DB: f64 = 1.5;
/// Half widths of a standard deviation: that of one of some 12 values on their own (Student 1908 \[M\]), a third of it, and no
/// less than what the looks themselves stray by, cents and dB.
const WANDER_WIDTH: f64 = 0.33;
const LEAST_WANDER_WIDTH_CENTS: f64 = 0.3;
const LEAST_WANDER_WIDTH_DB: f64 = 0.05;
/// Half width of a brightness, share of it: by so much nine of ten recorded notes lie off the spectrum of their whole body \[C\].
const BRIGHT_WIDTH: f64 = 0.08;

fn wander(value: f64, least: f64) -> Measure {
    Measure { value, uncertainty: least.max(WANDER_WIDTH * value) }
}

impl FrontPicture {
    /// A picture with nothing to show.
    #[must_use]
    pub fn empty() -> Self {
        Self {
            pitch_cents: [f32::NAN; FRONT_POINTS],
            tone_db: [f32::NEG_INFINITY; FRONT_POINTS],
            noise_db: [f32::NEG_INFINITY; FRONT_POINTS],
        }
    }

    /// Time of point `i` relative to the onset, ms.
    #[must_use]
    pub fn time_ms(i: usize) -> f64 {
        FRONT_START_MS + FRONT_STEP_MS * i as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sounds::{clear_front, told};

    fn position(position: f64) -> SlidePosition {
        SlidePosition { position, trigger: false, partial: 4 }
    }

    #[test]
    fn positions_are_kept_in_their_order_as_far_as_there_is_room() {
        let mut positions = Positions::default();
        assert_eq!(positions.iter().count(), 0);
        (1..=MAX_POSITIONS + 3).for_each(|i| positions.push(position(i as f64)));
        let kept: Vec<f64> = positions.iter().map(|p| p.position).collect();
        assert_eq!(kept, (1..=MAX_POSITIONS).map(|i| i as f64).collect::<Vec<_>>(), "the most usual first");
    }

    #[test]
    fn a_way_from_the_note_before_is_told_where_there_was_one() {
        let mut front = clear_front();
        assert_eq!(
            (front.passage_ms(), front.dip_db()),
            (Err(CannotTell::NotConnected), Err(CannotTell::NotConnected))
        );
        front.articulation = Articulation::Legato;
        assert_eq!(front.passage_ms(), Err(CannotTell::NotMeasured), "kept by a version that did not measure it");
        front.evidence.passage = Some(Passage { length_ms: told(42.0), dip_db: 5.0, between: None });
        assert_eq!((front.passage_ms(), front.dip_db().map(|m| m.value)), (told(42.0), Ok(5.0)));
        // On one pitch it has a dip and no length.
        front.evidence.passage = Some(Passage { length_ms: Err(CannotTell::SamePitch), dip_db: 5.0, between: None });
        assert_eq!((front.passage_ms(), front.dip_db().map(|m| m.value)), (Err(CannotTell::SamePitch), Ok(5.0)));
    }

    #[test]
    fn a_breath_is_told_or_why_there_is_none() {
        let mut front = clear_front();
        for (breath, why) in [
            (None, CannotTell::NoSilenceBefore),
            (Some(Breath::Unheard), CannotTell::NoBreath),
            (Some(Breath::Masked), CannotTell::Masked),
        ] {
            front.evidence.breath = breath;
            assert_eq!((front.inhaled_ms(), front.breath_to_sound_ms()), (Err(why), Err(why)));
        }
        front.evidence.breath = Some(Breath::Heard(Inhalation { length_ms: 420.0, before_ms: 60.0 }));
        let (length, before) = (front.inhaled_ms().expect("heard"), front.breath_to_sound_ms().expect("heard"));
        assert_eq!((length.value, before.value), (420.0, 60.0));
        // A length has two ends, each told to a step of the frames; a distance has one, and the note's own beginning.
        assert_eq!(length.uncertainty, 5.0);
        assert_eq!(before.uncertainty, 2.5 + front.instant_uncertainty.sound_start_ms);
    }

    #[test]
    fn a_tone_is_told_with_its_widths_or_why_there_is_none() {
        let mut front = clear_front();
        assert_eq!(front.tone(), Err(CannotTell::TooShort));
        front.overshoot_db = Err(CannotTell::NoBody);
        let none = [front.hnr_db(), front.pitch_wander_cents(), front.level_wander_db(), front.brightness_hz()];
        assert_eq!(none, [Err(CannotTell::NoBody); 4], "it rings away like a bell");
        for scale in [0.01, 1.0, 100.0] {
            front.evidence.tone = Some(Tone {
                hnr_db: 20.0,
                pitch_wander_cents: 2.0 * scale,
                level_wander_db: 0.3 * scale,
                brightness_hz: 700.0 * scale,
            });
            let (pitch, level) = (front.pitch_wander_cents().expect("told"), front.level_wander_db().expect("told"));
            assert!((pitch.value - 2.0 * scale).abs() < 1e-12 && (level.value - 0.3 * scale).abs() < 1e-12);
            // A deviation of 12 values is told to a third of itself (Student 1908), and never to nothing.
            for (told, least) in [(pitch, 0.3), (level, 0.05)] {
                assert!(told.uncertainty >= least && told.uncertainty >= 0.32 * told.value, "{told:?}");
            }
            let bright = front.brightness_hz().expect("told");
            assert!((bright.uncertainty / bright.value - 0.08).abs() < 1e-9);
        }
    }

    #[test]
    fn a_picture_runs_from_a_tenth_of_a_second_before_the_onset_on() {
        assert_eq!(FrontPicture::time_ms(0), -100.0);
        let at_onset = (0..FRONT_POINTS).find(|&i| FrontPicture::time_ms(i) == 0.0);
        assert_eq!(at_onset, Some(25), "the onset is one of its points");
        assert!(FrontPicture::time_ms(FRONT_POINTS - 1) > 400.0, "it holds what settles within 400 ms");
        let empty = FrontPicture::empty();
        assert!(empty.pitch_cents.iter().all(|c| c.is_nan()), "no pitch is no number");
        assert!(
            empty.tone_db.iter().chain(&empty.noise_db).all(|db| *db == f32::NEG_INFINITY),
            "and no sound no level"
        );
    }
}
