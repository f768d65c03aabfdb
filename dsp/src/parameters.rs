//! What is set by hand, each with unit and what it was set after: the one file for it. None stands here that recorded playing or
//! made takes do not miss when it is put out of force, or that is a law, a definition of the measures page, what a fit
//! looks at or the size of a computation: those stand where they are used, with a mark that says which. How to try one:
//! DEVELOPERS.md.
//!
//! Marks: \[S\] a published source, \[P\] common practice, \[M\] a source from memory, \[H\] a hypothesis of ours, set to
//! what recorded playing keeps.

/// Which notes there are.
pub mod notes {
    /// A candidate is a beginning from this probability on \[H\].
    pub const LEAST_PROBABILITY: f32 = 0.40;
    /// Of two beginnings nearer than this the more probable stands, a dip's bottom lies no farther off, s: no tongue is
    /// faster \[P\].
    pub const APART_S: f64 = 0.050;
    /// Another pitch is another note from here on, semitones: under a semitone, over vibrato and drift \[P\].
    pub const NEW_PITCH: f32 = 0.70;
    /// Starts nearer than this to each other, three in a row, are a fast series of notes and no stutter, s \[H\].
    pub const SERIES_S: f64 = 0.220;
    /// A tone that goes on at its pitch with a shallower dip than this was not tongued again: it swells, dB \[H\].
    pub const STROKE_SHOWS_DB: f32 = 0.7;
    /// A dip this deep makes a fresh start, and so does a rise this high; a sound that falls so far has rung off, dB. What
    /// dips less is joined: legato \[H\].
    pub const FRESH_DIP_DB: f32 = 12.0;
    /// A change of pitch with a shallower dip than this has no stroke of its own, dB: a slur \[H\].
    pub const STROKE_DIP_DB: f32 = 4.0;
    /// A fresh note begins where its rise comes this near to its level, dB \[H\].
    pub const RISE_DB: f32 = 20.0;
    /// A tone this periodic that has risen as a fresh start does must have begun \[H\].
    pub const OVERDUE_TONAL: f32 = 0.90;
    /// A note has ended this far under its recent level, dB \[H\].
    pub const END_DROP_DB: f32 = 24.0;
    /// ... or this near to the floor, dB \[H\].
    pub const END_OVER_FLOOR_DB: f32 = 4.0;
    /// ... or after this long without tone, s \[H\].
    pub const END_TONELESS_S: f64 = 0.060;
    /// A frame is tonal from this periodicity on \[H\].
    pub const TONAL: f32 = 0.60;
    /// A note does not begin before this much of the one before, s \[H\].
    pub const INSIDE_S: f64 = 0.020;
    /// The floor follows the room up by so much a frame between notes, dB \[H\].
    pub const FLOOR_RISE_DB: f32 = 0.06;
    /// A take may begin inside a note: the first guess of the floor is not over this, dB \[H\].
    pub const HIGHEST_FIRST_FLOOR_DB: f32 = -45.0;
    /// A sound that comes in a run is played, not talk, where the logarithm of the odds passes this; one alone where it is likelier
    /// than not \[H\].
    pub const LEAST_ODDS: f32 = 1.2;
    /// What came this shortly before, s, makes a run and counts for a share: talk comes in runs \[H\].
    pub const RUN_S: f64 = 2.0;
    /// That share \[H\].
    pub const RUN_SHARE: f32 = 0.8;
}

/// What a pitch is.
pub mod pitch {
    /// A frame under this periodicity has no pitch \[H\].
    pub const MIN_PERIODICITY: f32 = 0.35;
    /// Of two peaks alike the higher pitch is taken: what an octave costs, as a share of periodicity (Boersma 1993 has 0.01)
    /// \[H\].
    pub const OCTAVE_COST: f32 = 0.02;
    /// The long window wins where the short one's tone is this much less periodic \[H\].
    pub const SHORT_RESERVE: f32 = 0.10;
    /// A look holds the tone from this periodicity on \[H\].
    pub const TONE: f64 = 0.70;
    /// ... for the level of a tone: none up to the first, wholly from the second on, around that \[H\].
    pub const TONE_RAMP: (f64, f64) = (0.5, 0.8);
    /// A rough start holds tone from this periodicity on \[H\].
    pub const ROUGH_TONE: f64 = 0.64;
    /// A low note's window reaches so far that the tone itself would make the air before it look rough, Hz \[H\].
    pub const ROUGH_MIN_HZ: f64 = 90.0;
    /// The pitch cannot leave the last look by more than this in one hop of 2 ms, cents \[H\].
    pub const MAX_LEAP_CENTS: f64 = 60.0;
    /// A tone of whose harmonics every second, third, ... one holds this share of the power stands on that multiple of the pitch it
    /// was found at \[H\] ...
    pub const MULTIPLE_SHARE: f32 = 0.9;
    /// ... where the others are no louder than this factor (3 dB) over what lies between them \[H\].
    pub const MOST_OVER_BETWEEN: f32 = 2.0;
    /// Steady looks lie within this of the coarse pitch, cents \[H\].
    pub const STEADY_REACH_CENTS: f64 = 80.0;
}

/// Where a front begins.
pub mod instants {
    /// A front begins with a rise of at least this factor in power over what was before (6 dB) \[H\].
    pub const RISE_FACTOR: f64 = 4.0;
    /// Sound before the tone begins to hide the -20 dB point so far under the peak, and hides it wholly, dB: its bursts are
    /// louder than its mean \[H\].
    pub const HIDING_DB: (f64, f64) = (-33.0, -24.0);
    /// A tone that is not yet one for three looks may begin so long before them, s \[H\].
    pub const FOOT_S: f64 = 0.025;
    /// Looks in a row that make a tone \[H\].
    pub const TONE_RUN: usize = 3;
    /// A rise is over where the level grows by less than this, dB \[H\] ...
    pub const RISE_OVER_DB: f64 = 1.0;
    /// ... in this time, s \[H\] ...
    pub const RISE_OVER_S: f64 = 0.020;
    /// ... or in this share of the rise so far, where that is longer: a slow rise ends slowly \[H\].
    pub const RISE_OVER_SHARE: f64 = 0.5;
    /// A note this far under the loudest so far is soft, what lies this far under a tone is silence to it, and no softer tone
    /// can be its beginning, share of power (-24 dB) \[H\].
    pub const SOFT_SHARE: f64 = 0.004;
    /// What is softer than this under a tone is not worth following to another partial, share of power (-27 dB) \[H\].
    pub const FOLLOW_SHARE: f64 = 0.002;
    /// ... and this far under that it is silence (-10 dB) \[H\].
    pub const SILENT_SHARE: f64 = 0.1;
    /// A note does not begin so long before the place that the scores give it, s: 12 standard deviations of theirs \[H\].
    pub const NEAR_S: f64 = 0.060;
}

/// How far from its place an onset is told, as standard deviations, s: what recorded notes and made ones keep to.
pub mod places {
    /// By the fitted scores \[H\].
    pub const PLACED_SD_S: f64 = 0.005;
    /// ... of a beginning under air \[H\].
    pub const PLACED_IN_AIR_SD_S: f64 = 0.009;
    /// By the level, at least \[H\].
    pub const LEVEL_SD_S: f64 = 0.000_7;
    /// By a level that something hides, as a share of its distance from where the scores place it \[H\].
    pub const DISAGREEMENT: f64 = 0.35;
}

/// What the way into a note was.
pub mod shape {
    /// A look counts as another partial when its period fits this well \[H\].
    pub const OTHER_PARTIAL: f64 = 0.85;
    /// A leap this far from the settled pitch lands on another partial, cents: partials 10 and 9 lie 182 apart \[H\].
    pub const OTHER_PARTIAL_CENTS: f64 = 130.0;
    /// ... in this time, s: 11 000 cents/s, where a fast slide makes 3500 \[H\].
    pub const LEAP_S: f64 = 0.012;
    /// Real horns' partials lie this near to the series, cents \[P\].
    pub const PARTIAL_TOLERANCE_CENTS: f64 = 30.0;
    /// Looks on another partial belong together within this, cents \[H\].
    pub const SPLIT_SPREAD_CENTS: f64 = 60.0;
    /// A leap to another partial frees the slope of the pitch altogether, cents^2/s^3 \[H\].
    pub const SLOPE_LEAP: f64 = 1e15;
    /// How freely the slope changes as a note begins wears off in this time, s \[H\].
    pub const SLOPE_WEARS_OFF_S: f64 = 0.040;
    /// Where no look is near, the pitch moves by about so much, cents/s \[H\].
    pub const UNSEEN_SLOPE: f64 = 1500.0;
    /// A first look of no tone at all would tell the pitch to within this, cents: rough starts have none to speak of \[H\].
    pub const ROUGH_CENTS: f64 = 250.0;
    /// The first pitch is not told where its half width is more than this, cents \[H\].
    pub const MAX_ONSET_WIDTH_CENTS: f64 = 100.0;
    /// A look tells the pitch this share of its window after its sound begins \[H\].
    pub const FIRST_SHARE: f64 = 0.25;
    /// Two trackers of a first moment differ by this share of how far off it is \[H\].
    pub const FIRST_WIDTH_SHARE: f64 = 0.2;
    /// Where a played pitch has wandered it stays for this time, s \[H\].
    pub const WANDER_S: f64 = 0.020;
    /// A pitch that is held and then let go is held for this share of its way \[H\].
    pub const HELD_SHARE: f64 = 0.6;
    /// A way past the pitch crosses it at this share of its length \[H\] ...
    pub const PAST_CROSSES: f64 = 0.55;
    /// ... and falls off at this rate over it \[H\].
    pub const PAST_RATE: f64 = 2.2;
    /// Rate of an exponential way over its length \[H\].
    pub const EXPONENTIAL_RATE: f64 = 3.0;
    /// Rate of a hyperbolic one \[H\].
    pub const HYPERBOLA_RATE: f64 = 6.0;
    /// A soft sound's pitch stands still for this long to be a note's, s: it may be the player talking ... \[H\]
    pub const STILL_S: f64 = 0.060;
    /// ... within this range, cents, for notes of up to so many steady looks: played notes stay within 4, speech
    /// of a syllable's length mostly within 9 to 60; a long note may swing in vibrato \[H\].
    pub const STILL_RANGES_CENTS: [(usize, f64); 3] = [(11, 6.3), (24, 5.85), (usize::MAX, 9.0)];
    /// The first of two starts grows for this long at least, s: a tongue's click is shorter \[H\].
    pub const FIRST_START_S: f64 = 0.003;
    /// ... and is no softer than this against the second, dB: what is softer is the tongue \[H\].
    pub const FIRST_START_DB: f64 = -15.0;
    /// The second is no softer than this against the first, dB: what is softer rings on \[H\].
    pub const SECOND_START_DB: f64 = -8.0;
    /// Between two notes a partial sounds this periodic \[H\].
    pub const BETWEEN_PERIODICITY: f32 = 0.8;
    /// ... and this near to its place on a slide between the two lengths, positions \[H\].
    pub const LENGTH_ROOM: f64 = 0.3;
    /// Least the new pitch must explain more after a slur than before, share: under it the two cannot be told apart \[H\].
    pub const LEAST_CONTRAST: f64 = 0.1;
}

/// What air and breath are.
pub mod air {
    /// Air stays within this of its level next to the tone (-9 dB); what falls off faster is the tone growing \[H\].
    pub const HOLD_SHARE: f64 = 0.12;
    /// What does not stand this factor (3 dB) over the quietest moment before it, or over what is left of a tail, is not looked
    /// at \[H\].
    pub const LEAST_OVER: f64 = 2.0;
    /// ... nor what lies under this share of the settled tone (-42 dB): it is not heard before a tone \[H\].
    pub const OVER_TONE: f64 = 6.3e-5;
    /// Air has no pitch: what is periodic as the tone to this share is the tone \[H\].
    pub const PITCHLESS: f64 = 0.5;
    /// Dips shorter than this belong to the air, s \[H\].
    pub const DROPOUT_S: f64 = 0.008;
    /// What stands this factor over the tail of the note before (6 dB) is no tail \[H\].
    pub const OVER_TAIL: f64 = 4.0;
    /// Air can only be heard under a tail that has sunk this far under its note, share of power (-8 dB) \[H\].
    pub const FALLEN_SHARE: f64 = 0.16;
    /// An inhalation is looked for this far before a note, s \[H\] ...
    pub const BACK_S: f64 = 2.0;
    /// ... and lasts this long at least, s: what is blown or rustles between two staccato notes mostly does not \[H\].
    pub const LEAST_S: f64 = 0.150;
    /// A gap shorter than this, s, in which it is not still for long enough leaves no time for one: its noise is a note's end \[H\].
    pub const WITH_TAIL_S: f64 = 0.300;
    /// Its noise may drop out for less than this, frames \[H\].
    pub const GAP_FRAMES: i64 = 12;
    /// Of it, at least this long, s, stands near its top: a click does not \[H\].
    pub const CORE_S: f64 = 0.060;
    /// So near, dB \[H\].
    pub const CORE_DB: f64 = 10.0;
    /// It is heard from this far over the quietest so far, dB \[H\] ...
    pub const OVER_FLOOR_DB: f64 = 8.0;
    /// ... down to this far under its top, dB \[H\].
    pub const EDGE_DB: f64 = 20.0;
    /// Before the note it falls by this much at least, dB: the turn from in to out makes no sound. Out of the tail of the note
    /// before it begins where the level dips as far \[H\].
    pub const FALL_DB: f64 = 6.0;
    /// What stands this far over its top, dB, is the note before. Without a dip it holds: its halves differ by no more than
    /// this, dB, and a tail's by 11 \[H\].
    pub const HOLD_DB: f64 = 3.0;
    /// The softest that is looked for, dB under the level of the loudest note so far. Those seen by eye in recordings of horns
    /// stand 30 to 50 dB under it, softer rustling does not look like one \[H\].
    pub const UNDER_LOUD_DB: f64 = 50.0;
    /// It is no tone: a period explains no more of its power than this ... \[H\]
    pub const TONE: f64 = 0.5;
    /// ... in more than this share of it \[H\].
    pub const MOST_TONAL: f64 = 0.2;
}

/// How sure a measure is, in half widths that nine of ten keep to.
pub mod widths {
    /// An onset's, in standard deviations of what the level and the scores say of it \[H\].
    pub const ONSET_SDS: f64 = 1.3;
    /// Of the start of air, ms: it swells out of the room \[H\].
    pub const AIR_START_MS: f64 = 5.0;
    /// Of the length of a split, ms \[H\].
    pub const SPLIT_MS: f64 = 4.0;
    /// Of the depth of a dip between two starts, dB \[H\].
    pub const STUTTER_DB: f64 = 2.0;
    /// Of the depth of a slide, cents \[H\].
    pub const SLIDE_CENTS: f64 = 5.0;
    /// Of a held breath, ms \[H\].
    pub const HELD_MS: f64 = 20.0;
    /// Of the level of a burst, dB: one period's mean follows it by so much \[H\].
    pub const PEAK_DB: f64 = 0.5;
    /// A measure is never surer than this share of its line \[H\].
    pub const LEAST_SHARE: f64 = 0.02;
    /// A figure is told with its half width from this share of it on \[H\].
    pub const TOLD_FROM_SHARE: f64 = 0.15;
}

/// What faults weigh in the clarity of a front.
pub mod clarity {
    /// A fault just at its line takes this share of its weight: it was worth a flag \[H\].
    pub const SHARE_AT_LINE: f64 = 0.25;
    /// Every fault but the worst takes this share of what it would take alone \[H\].
    pub const SHARE_OF_OTHERS: f64 = 0.25;
    /// A clear front whose nearest measure is at its line loses so many points; half way to the line a sixteenth of
    /// them: professionals lie at a third of the lines in the median \[H\].
    pub const NEAR_LINE_COST: f64 = 5.0;
    /// How steeply that falls with the distance \[H\].
    pub const NEARNESS_POWER: i32 = 4;
    /// Air this far over its line, dB, weighs twice as much \[H\].
    pub const LOUD_AIR_DB: f64 = 20.0;
}

/// Whether a take follows a beat.
pub mod beat {
    /// Fewest entrances that can tell; with fewer it is taken as followed \[H\].
    pub const MIN_TO_TELL: usize = 6;
}

/// What pairs the notes of two takes; an unpaired entrance costs one.
pub mod pairs {
    /// An unpaired entrance before the first pair: a false start is likelier than a stop in the middle \[H\].
    pub const LEADING_GAP_COST: f64 = 0.9;
    /// A wrong note. With a wrong rhythm on top it costs more than two gaps: such notes are not paired \[H\].
    pub const WRONG_NOTE_COST: f64 = 1.3;
    /// The right note in another octave: often the neighbouring partial, held \[H\].
    pub const OCTAVE_COST: f64 = 0.9;
    /// A note without a pitch may be any \[H\].
    pub const UNKNOWN_NOTE_COST: f64 = 0.5;
    /// Rhythm off by [`RHYTHM_SPAN`] or more \[H\].
    pub const RHYTHM_COST: f64 = 0.8;
    /// Log ratio of two intervals, tempo taken off, at which the rhythm is plainly another: a factor of 1.65 \[H\].
    pub const RHYTHM_SPAN: f64 = 0.5;
    /// Distance of two notes on one time line that costs as much as a gap, s \[H\].
    pub const PLACE_SPAN_S: f64 = 0.5;
    /// Preference of no key offset and no tempo change, so that they win where nothing speaks against them \[H\].
    pub const CHANGE_COST: f64 = 0.01;
    /// Share of a false start's notes that must repeat the beginning \[H\].
    pub const FALSE_START_SHARE: f64 = 0.75;
}
