//! The takes of the shared folder that were played by people elsewhere, with what was reached on them as the floor.

use notefront_dsp::{Front, Settings, analyze};
use notefront_tests::playing::{Again, JudgedRecording, OnsetTally, judge_recording, recordings};
use notefront_tests::{audio, shared};

/// Takes of other players and rooms, judged; said aloud when there are none.
fn takes() -> Option<Vec<JudgedRecording>> {
    let folder = shared::folder("playing")?;
    let (recordings, _) = recordings(&folder, "chamber").expect("recordings and labels");
    // The folder is also the one beside its own labels: each take once.
    let mut judged: Vec<JudgedRecording> = Vec::new();
    for recording in recordings {
        if judged.iter().all(|other| other.recording.stem != recording.stem) {
            judged.push(judge_recording(recording).expect("judged"));
        }
    }
    Some(judged)
}

#[test]
fn the_onsets_of_a_chamber_trombone_are_found() {
    let Some(takes) = takes() else { return };
    let trombone = takes.iter().find(|take| take.recording.stem == "chamber-trombone").expect("the trombone");
    let tally = OnsetTally::of([trombone]);
    assert_eq!(tally.counts[0].num_reference, 24, "labelled by eye");
    // What is asked for of other players.
    let found = tally.counts[0].f_measure();
    assert!(found >= 0.97, "F at 50 ms is {found:.3}");
}

#[test]
fn other_players_are_not_flagged_more_than_was_reached() {
    let Some(takes) = takes() else { return };
    let num_heard: usize = takes.iter().map(|take| take.heard.len()).sum();
    let flagged = takes.iter().flat_map(|take| &take.heard).filter(|heard| !heard.flags.is_empty()).count();
    // 15 % is asked for.
    let share = flagged as f64 / num_heard as f64;
    assert!(share <= REACHED_FLAGGED, "{flagged} of {num_heard} entrances are flagged");
}

/// Share of the entrances of the three takes that was flagged when this was written (2 of 95), and two more: to be
/// brought down, never up.
const REACHED_FLAGGED: f64 = 0.043;

/// In rooms, through coding and beside a metronome too: instants come in their order, and no length, level's width or half width is
/// less than nothing.
#[test]
fn no_figure_of_real_playing_is_absurd() {
    let Some(takes) = takes() else { return };
    for take in &takes {
        let played = audio::read(&take.recording.path).expect("a take");
        let again = [Again::InRoom, Again::WithMetronome].map(|again| again.of(&played).expect("heard again").0);
        for sound in again.iter().chain([&played]) {
            let heard = analyze(&sound.samples, sound.rate_hz, Settings::default()).expect("a rate that is analysed");
            assert!(heard.len() > 10, "{}: {} entrances", take.recording.stem, heard.len());
            heard.iter().for_each(assert_sane);
        }
    }
}

fn assert_sane(front: &Front) {
    assert!(front.sound_start_s <= front.onset_s && front.onset_s <= front.speaks_s, "{front:?}");
    assert!(front.end_s.is_none_or(|end_s| end_s > front.onset_s), "{front:?}");
    let lengths = [front.noise_before_tone_ms, front.speak_ms, front.settle_ms];
    assert!(lengths.iter().flatten().all(|length| length.value >= 0.0 && length.uncertainty >= 0.0), "{front:?}");
    assert!(front.attack_ms.is_err() || front.attack_ms.is_ok_and(|attack| attack.value > 0.0), "{front:?}");
}
