//! What the window says when there is nothing to draw yet, or something to know. Every state says what to do.

use crate::meters::Meters;
use crate::params::NotefrontParams;
use crate::session::Session;
use std::sync::atomic::Ordering;

/// Below this the input of a running pass counts as too quiet, dB re full scale (peak) \[H\].
const TOO_QUIET_DB: f64 = -40.0;
/// A pass is not called too quiet before this, seconds.
const QUIET_AFTER_S: f64 = 4.0;

/// The state of an instance as far as the window tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// No audio has arrived.
    NoSound,
    /// The transport stands and there is nothing to show.
    Waiting,
    /// A pass runs and no entrance has been told.
    Listening,
    /// A pass runs and is too quiet to judge.
    TooQuiet,
    /// There is a pass to show.
    Showing,
}

impl State {
    /// The state of now.
    #[must_use]
    pub fn of(session: &Session, meters: &Meters) -> Self {
        let Some(pass) = session.newest() else {
            let has_sound = meters.clock.load(Ordering::Relaxed) > 0;
            return if has_sound { Self::Waiting } else { Self::NoSound };
        };
        if !pass.entrances.is_empty() || session.passes().len() > 1 {
            return Self::Showing;
        }
        let loudest = f64::from(pass.wave.level_between(0.0, f64::INFINITY));
        let floor_db = f64::from(crate::wave::FLOOR_DB);
        let is_quiet = floor_db * (1.0 - loudest) < TOO_QUIET_DB;
        if pass.duration_s > QUIET_AFTER_S && is_quiet { Self::TooQuiet } else { Self::Listening }
    }

    /// What it says, and what to do.
    #[must_use]
    pub fn words(self) -> Option<(&'static str, &'static str)> {
        match self {
            Self::Showing => None,
            Self::NoSound => Some((
                "No sound has arrived yet",
                "Put Notefront on the recorded track, or on the input you play into, and start playback.",
            )),
            Self::Waiting => Some((
                "Waiting for playback",
                "Start the transport: each stretch you play becomes a pass. To be heard while it stands, \
                 switch on \u{201c}listen while stopped\u{201d} in the settings.",
            )),
            Self::Listening => Some(("Listening", "The first entrance appears about a second after it sounds.")),
            Self::TooQuiet => Some((
                "The input is very quiet",
                "Raise the recording level until loud notes reach \u{2212}12 dB or so; \
                 the attack of a note under the noise of the room cannot be judged.",
            )),
        }
    }
}

/// What the player should know, the most pressing first.
#[must_use]
pub fn warnings(session: &Session, meters: &Meters, params: &NotefrontParams) -> Vec<String> {
    let mut warnings = session.notices.clone();
    let lost = meters.num_lost();
    if lost > 0 {
        warnings.push(format!("{lost} samples could not be analysed: the computer was too busy. Play the take again."));
    }
    if meters.clipped.load(Ordering::Relaxed) {
        warnings.push(
            "The input reached full scale: clipped fronts cannot be judged. Lower the recording level.".to_owned(),
        );
    }
    let late = meters.late_notes.load(Ordering::Relaxed);
    if late > 0 {
        warnings.push(format!("{late} marker notes came too late for their place and were not sent."));
    }
    let is_delaying = meters.latency.load(Ordering::Relaxed) > 0;
    if params.look_ahead.value() != is_delaying && meters.clock.load(Ordering::Relaxed) > 0 {
        warnings.push("Marker notes change when the host restarts the insert: stop and start playback.".to_owned());
    }
    if session.live().is_some_and(|p| p.start_samples.is_none()) && params.subdivision().is_some() {
        warnings.push("The host gives no position here, so nothing is timed against beats.".to_owned());
    }
    warnings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use crate::passes::Pass;
    use crate::wave::Wave;

    #[test]
    fn every_state_but_showing_says_what_to_do() {
        for state in [State::NoSound, State::Waiting, State::Listening, State::TooQuiet] {
            let (title, advice) = state.words().expect("it has words");
            assert!(!title.is_empty() && advice.ends_with('.'));
        }
        assert!(State::Showing.words().is_none());
    }

    #[test]
    fn the_state_follows_what_arrived() {
        let (mut session, meters) = (Session::default(), Meters::default());
        assert_eq!(State::of(&session, &meters), State::NoSound);
        meters.clock.store(64, Ordering::Relaxed);
        assert_eq!(State::of(&session, &meters), State::Waiting);
        let quiet = Pass {
            entrances: Vec::new(),
            live: true,
            duration_s: 10.0,
            wave: Wave::from_points(vec![60; 1000], 100.0),
            ..fixture::pass_at_60(&[])
        };
        let id = session.add(quiet);
        assert_eq!(State::of(&session, &meters), State::TooQuiet);
        session.pass_mut(id).expect("just added").duration_s = 1.0;
        assert_eq!(State::of(&session, &meters), State::Listening);
        session.pass_mut(id).expect("just added").entrances = vec![fixture::clear(0, 1.0, 46)];
        assert_eq!(State::of(&session, &meters), State::Showing);
    }

    #[test]
    fn what_was_lost_or_clipped_is_said() {
        let (session, meters, params) = (Session::default(), Meters::default(), NotefrontParams::default());
        assert!(warnings(&session, &meters, &params).is_empty());
        meters.lost.store(100, Ordering::Relaxed);
        meters.note_peak(1.0);
        let said = warnings(&session, &meters, &params).join(" ");
        assert!(said.contains("100 samples") && said.contains("full scale"));
    }
}
