//! What the window says when there is nothing to draw yet, or something to know. Every state says what to do.

use crate::choices::Choices;
use crate::meters::Meters;
use crate::passes::{Origin, Pass};
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
    /// The state of now, for the pass on show.
    #[must_use]
    pub fn of(pass: Option<&Pass>, meters: &Meters) -> Self {
        let Some(pass) = pass else {
            let has_sound = meters.clock.load(Ordering::Relaxed) > 0;
            return if has_sound { Self::Waiting } else { Self::NoSound };
        };
        if !pass.live || !pass.entrances.is_empty() {
            return Self::Showing;
        }
        let loudest = f64::from(pass.wave.level_between(0.0, f64::INFINITY));
        let floor_db = f64::from(crate::wave::FLOOR_DB);
        let is_quiet = floor_db * (1.0 - loudest) < TOO_QUIET_DB;
        if pass.duration_s > QUIET_AFTER_S && is_quiet { Self::TooQuiet } else { Self::Listening }
    }

    /// What it says, and what to do; `alone` without a host around.
    #[must_use]
    pub fn words(self, alone: bool) -> Option<(&'static str, &'static str)> {
        match self {
            Self::NoSound | Self::Waiting if alone => Some((
                "Nothing played yet",
                "With an input chosen above: press record and play. A pass ends after the silence you set, and the next sound \
                 begins another. The level beside the input should move when you play.",
            )),
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
            Self::Listening if alone => Some((
                "Listening",
                "The first entrance appears about a second after it sounds. If none does, look whether the level beside the \
                 input moves when you play.",
            )),
            Self::Listening => Some((
                "Listening",
                "The first entrance appears about a second after it sounds. If none does, look whether the \
                 sound of the horn reaches this track.",
            )),
            Self::TooQuiet => Some((
                "The input is very quiet",
                "Raise the recording level until loud notes reach \u{2212}12 dB or so; \
                 the attack of a note under the noise of the room cannot be judged.",
            )),
        }
    }
}

/// What the player should know about the insert and the pass on show, the most pressing first.
#[must_use]
pub fn warnings(
    session: &Session,
    pass: Option<&Pass>,
    meters: &Meters,
    choices: &Choices,
    alone: bool,
) -> Vec<String> {
    let mut warnings = session.notices.clone();
    let lost = meters.num_lost();
    if lost > 0 {
        warnings.push(format!("{lost} samples could not be analysed: the computer was too busy. Play the take again."));
    }
    warnings.extend(clipping(pass, meters));
    if session.is_nearly_full() {
        warnings.push(
            "There is hardly room for more: soon the oldest passes that are not kept will go. Keep those you \
             need, write their files, or forget others."
                .to_owned(),
        );
    }
    if pass.is_some_and(|p| p.to_beat == Some(false)) {
        let click = if alone { "the click" } else { "the host\u{2019}s click" };
        warnings.push(format!(
            "Not played to this beat: timing is not judged. Play to {click}, choose the grid you play on, or have it \
             judged all the same (settings)."
        ));
    }
    if !alone {
        warnings.extend(of_the_host(pass, meters, choices));
    }
    warnings
}

/// What only a host can mend.
fn of_the_host(pass: Option<&Pass>, meters: &Meters, choices: &Choices) -> Vec<String> {
    let mut warnings = Vec::new();
    let late = meters.late_notes.load(Ordering::Relaxed);
    if late > 0 {
        warnings.push(format!(
            "{late} marker notes came too late for their place and were not sent: play on a little before the take, \
             or write marker files."
        ));
    }
    let is_delaying = meters.latency.load(Ordering::Relaxed) > 0;
    if choices.look_ahead != is_delaying && meters.clock.load(Ordering::Relaxed) > 0 {
        warnings.push("Marker notes change when the host restarts the insert: stop and start playback.".to_owned());
    }
    if pass.is_some_and(|p| p.origin == Origin::Free) && choices.subdivision().is_some() {
        warnings.push(
            "Without the host\u{2019}s position nothing is timed against beats: start its transport with the click \
             you play to, or set the grid to off."
                .to_owned(),
        );
    }
    warnings
}

fn clipping(pass: Option<&Pass>, meters: &Meters) -> Option<String> {
    let pass = pass?;
    let advice = "a clipped front cannot be judged. Lower the recording level and play it again.";
    match pass.clipped_at_s.len() {
        0 if pass.live && meters.clipped.load(Ordering::Relaxed) => {
            Some(format!("The input reached full scale: {advice}"))
        }
        0 => None,
        1 => Some(format!("Clipped at one place, under the triangle: {advice}")),
        num => Some(format!("Clipped at {num} places, under the triangles: {advice}")),
    }
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
            let (title, advice) = state.words(false).expect("it has words");
            assert!(!title.is_empty() && advice.ends_with('.'));
        }
        assert!(State::Showing.words(false).is_none());
    }

    #[test]
    fn the_state_follows_the_pass_on_show() {
        let meters = Meters::default();
        assert_eq!(State::of(None, &meters), State::NoSound);
        meters.clock.store(64, Ordering::Relaxed);
        assert_eq!(State::of(None, &meters), State::Waiting);
        let mut pass = Pass {
            entrances: Vec::new(),
            live: true,
            duration_s: 10.0,
            wave: Wave::from_points(vec![60; 1000], 100.0),
            ..fixture::pass_at_60(&[])
        };
        assert_eq!(State::of(Some(&pass), &meters), State::TooQuiet);
        pass.duration_s = 1.0;
        assert_eq!(State::of(Some(&pass), &meters), State::Listening);
        pass.entrances = vec![fixture::clear(0, 1.0, 46)];
        assert_eq!(State::of(Some(&pass), &meters), State::Showing);
    }

    #[test]
    fn what_was_lost_clipped_or_untimed_is_said_with_what_to_do() {
        let (session, meters, choices) = (Session::default(), Meters::default(), Choices::default());
        let mut pass = Pass { live: true, ..fixture::pass_at_60(&[1.0]) };
        let said = |pass: &Pass| warnings(&session, Some(pass), &meters, &choices, false).join(" ");
        assert_eq!(said(&pass), "");
        meters.lost.store(100, Ordering::Relaxed);
        meters.note_peak(1.0);
        assert!(said(&pass).contains("100 samples") && said(&pass).contains("full scale"));
        pass.to_beat = Some(false);
        assert!(said(&pass).contains("Not played to this beat: timing is not judged."));
        pass.to_beat = None;
        pass.clipped_at_s = vec![1.0, 2.0];
        assert!(said(&pass).contains("Clipped at 2 places"));
        pass.origin = Origin::Free;
        assert!(said(&pass).contains("start its transport"));
    }

    #[test]
    fn where_there_is_no_host_none_is_spoken_of() {
        let (session, meters) = (Session::default(), Meters::default());
        let choices = Choices { look_ahead: true, ..Choices::default() };
        meters.clock.store(1, Ordering::Relaxed);
        meters.late_notes.store(1, Ordering::Relaxed);
        let mut pass = Pass { live: true, to_beat: Some(false), ..fixture::pass_at_60(&[1.0]) };
        for origin in [Origin::Free, Origin::Played] {
            pass.origin = origin;
            let said = warnings(&session, Some(&pass), &meters, &choices, true).join(" ");
            assert!(said.contains("Play to the click") && !said.contains("host") && !said.contains("arker"), "{said}");
        }
        for state in [State::NoSound, State::Waiting, State::Listening, State::TooQuiet] {
            let (title, advice) = state.words(true).expect("it says what to do");
            assert!(
                ![title, advice].iter().any(|text| text.contains("transport") || text.contains("track")),
                "{advice}"
            );
        }
    }
}
