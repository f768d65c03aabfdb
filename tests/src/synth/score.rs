//! What is played: notes, how they begin and how they go wrong.

/// One unbroken sound: a first note with an attack, and those that are joined to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Tone {
    /// The notes, in order; only the first may begin with [`Start::Attack`].
    pub notes: Vec<Note>,
    /// When the last note begins to end, s.
    pub release_s: f64,
    /// How long it takes to end, ms.
    pub release_ms: f64,
}

/// One note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    /// When it is to speak: about -12 dB of the attack for a first note, the middle of the join for others, s.
    pub at_s: f64,
    /// Pitch it settles on, Hz.
    pub hz: f64,
    /// RMS level of its harmonics, dB re full scale.
    pub level_db: f64,
    /// How it begins.
    pub start: Start,
    /// How its pitch comes in.
    pub front: Front,
    /// Vibrato.
    pub vibrato: Option<Vibrato>,
    /// Swell of the level after the first 350 ms, dB at its height.
    pub swell_db: f64,
}

/// How a note begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Start {
    /// From silence.
    Attack(Attack),
    /// The pitch moves to it without an attack, over `glide_ms` around `at_s`.
    Slur {
        /// Length of the pitch transition, ms.
        glide_ms: f64,
    },
    /// Legato-tongued: the level dips, the pitch moves while it does.
    Dip {
        /// Depth, dB.
        depth_db: f64,
        /// Length of the dip, ms.
        width_ms: f64,
        /// Length of the pitch transition, ms; it ends at the lowest point.
        glide_ms: f64,
    },
}

/// A start from silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attack {
    /// How the level grows.
    pub rise: Rise,
    /// 20 % to 90 % of the level, ms.
    pub attack_ms: f64,
    /// Air before the tone.
    pub air: Option<Air>,
    /// Level of the tongue's click relative to the tone, dB; it lasts 4 ms.
    pub tongue_db: Option<f64>,
    /// A second start.
    pub stutter: Option<Stutter>,
    /// Level overshoot, dB, with a burst of noise; gone within 3 round trips of a short bore (45 ms).
    pub overshoot_db: f64,
    /// Audible inhalation that ends this long before the sound, ms.
    pub inhaled_before_ms: Option<f64>,
}

/// The shape of the growing level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rise {
    /// Exponential growth that saturates, as a lip oscillation grows: the logistic curve.
    Logistic,
    /// A raised cosine.
    RaisedCosine,
    /// A straight line: for the closed forms of the attack time.
    Linear,
    /// Exponential growth at one rate until the level is reached, and no more.
    Exponential,
    /// Two steps: about a third of the level first, held, then the rest; it never falls.
    TwoSteps,
}

/// Air before the tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// How long before the onset it begins, ms.
    pub ms: f64,
    /// Its level relative to the settled tone, dB.
    pub db: f64,
}

/// A first, failed start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stutter {
    /// From the first start to the lowest point between the two, ms.
    pub dip_after_ms: f64,
    /// Depth of the dip below the level of the first start, dB.
    pub dip_db: f64,
    /// Half width of the dip, ms.
    pub half_width_ms: f64,
}

/// How the pitch comes in, counted from the onset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Front {
    /// On pitch.
    Steady,
    /// Exponential approach.
    Approach {
        /// Start, cents from the settled pitch.
        cents: f64,
        /// Time constant, ms.
        tau_ms: f64,
    },
    /// Another law of motion on the same partial than the exponential.
    Bend {
        /// Start, cents from the settled pitch.
        cents: f64,
        /// Its time, ms: see [`Law`].
        ms: f64,
        /// Which.
        law: Law,
    },
    /// The slide arrives late: a constant rate.
    Slide {
        /// Start, cents.
        cents: f64,
        /// Rate, cents per second.
        cents_per_s: f64,
    },
    /// Another partial of the same length, then a jump.
    WrongPartial {
        /// Its frequency over the settled one, k/n.
        ratio: f64,
        /// How long it sounds, ms.
        ms: f64,
    },
}

/// A law of motion of the pitch on its way in, `t` after the onset, from `c` cents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Law {
    /// Half a cosine that is at home after `ms`.
    HalfCosine,
    /// c / (1 + t / ms), less what is left of it after 8 `ms`: quick at first, then ever slower.
    Hyperbola,
    /// Past the pitch and back: c exp(-t / ms) cos(pi t / ms).
    PastAndBack,
    /// Held for `ms`, then dropped by half a cosine of 25 ms.
    HeldThenDropped,
}

impl Law {
    /// Every law.
    pub const ALL: [Self; 4] = [Self::HalfCosine, Self::Hyperbola, Self::PastAndBack, Self::HeldThenDropped];

    /// Share of the start that is left after `t` ms, by a law of time `ms`.
    #[must_use]
    pub fn left(self, t: f64, ms: f64) -> f64 {
        let half_cosine = |part: f64| 0.5 + 0.5 * (std::f64::consts::PI * part.clamp(0.0, 1.0)).cos();
        match self {
            Self::HalfCosine => half_cosine(t / ms),
            Self::Hyperbola => ((1.0 / (1.0 + t / ms) - 1.0 / 9.0) * 9.0 / 8.0).max(0.0),
            Self::PastAndBack => (-t / ms).exp() * (std::f64::consts::PI * t / ms).cos(),
            Self::HeldThenDropped => half_cosine((t - ms) / 25.0),
        }
    }
}

/// Vibrato.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vibrato {
    /// Half the pitch swing, cents.
    pub cents: f64,
    /// Half the level swing, dB.
    pub db: f64,
    /// Rate, Hz.
    pub hz: f64,
    /// Delay after `at_s` until it begins, ms.
    pub delay_ms: f64,
}

impl Attack {
    /// A plain attack.
    #[must_use]
    pub fn plain(attack_ms: f64) -> Self {
        Self {
            rise: Rise::Logistic,
            attack_ms,
            air: None,
            tongue_db: None,
            stutter: None,
            overshoot_db: 0.0,
            inhaled_before_ms: None,
        }
    }
}

impl Note {
    /// A clean note with a plain attack.
    #[must_use]
    pub fn plain(at_s: f64, hz: f64, level_db: f64) -> Self {
        let start = Start::Attack(Attack::plain(20.0));
        Self { at_s, hz, level_db, start, front: Front::Steady, vibrato: None, swell_db: 0.0 }
    }
}

impl Tone {
    /// One note that begins to end at `release_s`.
    #[must_use]
    pub fn single(note: Note, release_s: f64) -> Self {
        Self { notes: vec![note], release_s, release_ms: 60.0 }
    }
}
