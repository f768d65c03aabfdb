//! Marks as a Standard MIDI File 1.0: marker meta events on a tempo map that follows the take's beats, and with each
//! a note (see [`crate::mark_note`]), for hosts that show notes only, or import no file without any.
//!
//! Tick 0 is the first sample of the take, and markers are placed by the tempo as it is written (whole
//! microseconds), so that their times in seconds hold whatever the rounding did to the beats. On a session's own
//! tempo tick 0 is the session's start, and markers are placed by its bars.

use crate::beats::Bend;
use crate::mark_note::NOTE_S;
use crate::marks::Mark;
use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

/// Ticks of a quarter note: 0.1 ms at 60 beats a minute, finer than any onset can be told.
const TICKS_PER_BEAT: u16 = 9600;
/// Tempo where the take has no beats: what players assume where a file tells none (SMF 1.0 \[S\]).
const DEFAULT_BEAT_S: f64 = 0.5;
/// Shortest and longest beat a file can hold: whole microseconds in 24 bits.
const BEAT_RANGE_S: (f64, f64) = (1e-6, 16.777_215);
/// A beat that the ruling tempo meets this closely needs no tempo of its own, s: a fiftieth of a heard step.
const BEAT_TOLERANCE_S: f64 = 1e-4;
/// Longest step between two events: 28 bits.
const MAX_STEP: u64 = (1 << 28) - 1;

/// Marks on a tempo map, as the bytes of a Standard MIDI File of one track.
/// `beats_s` are the beats in seconds, rising; none or one give a plain 120 beats a minute.
#[must_use]
pub fn bytes(marks: &[Mark], beats_s: &[f64]) -> Vec<u8> {
    on_map(marks, &TempoMap::of_beats(beats_s))
}

/// Marks on the tempo of a session, as the bytes of a Standard MIDI File of one track. `bends` rise; the first
/// also holds before its own place, down to the session's start.
#[must_use]
pub fn session_bytes(marks: &[Mark], bends: &[Bend]) -> Vec<u8> {
    on_map(marks, &TempoMap::of_session(bends))
}

fn on_map(marks: &[Mark], map: &TempoMap) -> Vec<u8> {
    let tempi = map.spans.iter().map(|span| (span.start_tick, meta(MetaMessage::Tempo(u24::new(span.micros)))));
    let markers = marks.iter().flat_map(|mark| {
        let tick = map.tick(mark.time_s);
        // The words of a marker are short; what stands behind it is a text at its place.
        let said = Some(mark.sentence.as_bytes()).filter(|said| !said.is_empty());
        let text = said.map(|said| (tick, meta(MetaMessage::Text(said))));
        std::iter::once((tick, meta(MetaMessage::Marker(mark.label.as_bytes())))).chain(text)
    });
    let (ends, beginnings) = notes(marks, map);
    // A stable sort: at the same tick the tempo stays first, and a note ends before the next begins.
    let mut events: Vec<_> = tempi.chain(ends).chain(markers).chain(beginnings).collect();
    events.sort_by_key(|&(tick, _)| tick);
    let header = Header::new(Format::SingleTrack, Timing::Metrical(u15::new(TICKS_PER_BEAT)));
    let smf = Smf { header, tracks: vec![track(events)] };
    let mut bytes = Vec::new();
    // Writing to memory cannot fail but for a track over 4 GiB.
    let _ = smf.write(&mut bytes);
    bytes
}

type Timed<'a> = (u64, TrackEventKind<'a>);

/// Ends and beginnings of the marks' notes. One ends where the next begins, at the latest.
fn notes<'a>(marks: &[Mark], map: &TempoMap) -> (Vec<Timed<'a>>, Vec<Timed<'a>>) {
    let begins = |mark: &Mark| map.tick(mark.time_s);
    let note = |(i, mark): (usize, &Mark)| {
        let (key, channel) = (u7::new(mark.note.key), u4::new(mark.note.channel));
        let next = marks.get(i + 1).map_or(u64::MAX, begins);
        let end = map.tick(mark.time_s + NOTE_S).min(next).max(begins(mark) + 1);
        let midi = |message| TrackEventKind::Midi { channel, message };
        let (off, on) = (u7::new(0), u7::new(mark.note.velocity));
        let ending = (end, midi(MidiMessage::NoteOff { key, vel: off }));
        (ending, (begins(mark), midi(MidiMessage::NoteOn { key, vel: on })))
    };
    marks.iter().enumerate().map(note).unzip()
}

fn track(events: Vec<Timed<'_>>) -> Vec<TrackEvent<'_>> {
    let mut track = vec![event(0, meta(MetaMessage::TrackName(b"Notefront marks")))];
    let mut now = 0;
    for (tick, kind) in events {
        while tick - now > MAX_STEP {
            track.push(event(MAX_STEP, meta(MetaMessage::Text(b""))));
            now += MAX_STEP;
        }
        track.push(event(tick - now, kind));
        now = tick;
    }
    track.push(event(0, meta(MetaMessage::EndOfTrack)));
    track
}

fn meta(message: MetaMessage<'_>) -> TrackEventKind<'_> {
    TrackEventKind::Meta(message)
}

fn event(delta: u64, kind: TrackEventKind<'_>) -> TrackEvent<'_> {
    TrackEvent { delta: u28::new(delta as u32), kind }
}

/// A stretch of one tempo.
#[derive(Debug, Clone, Copy)]
struct Span {
    start_tick: u64,
    start_s: f64,
    micros: u32,
    /// Length of a tick, s: by the written tempo, or exactly where bars count more than seconds.
    tick_s: f64,
}

struct TempoMap {
    /// At least one, from tick 0.
    spans: Vec<Span>,
}

impl TempoMap {
    /// The tempo of the bends; 120 a minute where none is usable.
    fn of_session(bends: &[Bend]) -> Self {
        let is_usable = |b: &&Bend| b.quarter >= 0.0 && b.at_s.is_finite() && (60.0 / b.bpm).is_finite() && b.bpm > 0.0;
        let mut spans: Vec<Span> = Vec::with_capacity(bends.len());
        for bend in bends.iter().filter(is_usable) {
            let beat_s = 60.0 / bend.bpm;
            // The first holds from the session's start.
            let quarter = if spans.is_empty() { 0.0 } else { bend.quarter };
            spans.push(Span {
                start_tick: (quarter * f64::from(TICKS_PER_BEAT)).round() as u64,
                start_s: bend.at_s - (bend.quarter - quarter) * beat_s,
                micros: micros(beat_s),
                tick_s: beat_s / f64::from(TICKS_PER_BEAT),
            });
        }
        if spans.is_empty() { Self::of_beats(&[]) } else { Self { spans } }
    }

    fn of_beats(beats_s: &[f64]) -> Self {
        let mut map = Self { spans: Vec::new() };
        let beats = usable(beats_s);
        let Some(first_length_s) = beats.windows(2).next().map(|pair| pair[1] - pair[0]) else {
            map.push(0, DEFAULT_BEAT_S);
            return map;
        };
        // The way to the first beat is filled with whole beats of nearly its tempo.
        let mut tick = 0;
        if beats[0] > 0.0 {
            let num_beats = (beats[0] / first_length_s).round().max(1.0);
            map.push(0, beats[0] / num_beats);
            tick = num_beats as u64 * u64::from(TICKS_PER_BEAT);
        }
        for pair in beats.windows(2) {
            // To the next beat from where rounding has led, so that it never adds up.
            let is_met = |at_s: f64| (at_s - pair[1]).abs() <= BEAT_TOLERANCE_S;
            let next_tick = tick + u64::from(TICKS_PER_BEAT);
            if !map.seconds(next_tick).is_some_and(is_met) {
                map.push(tick, pair[1] - map.seconds(tick).unwrap_or(pair[0]));
            }
            tick = next_tick;
        }
        map
    }

    /// A tempo from a tick on; nothing when it is the tempo that rules there already.
    fn push(&mut self, start_tick: u64, beat_s: f64) {
        let micros = micros(beat_s);
        if self.spans.last().is_none_or(|last| last.micros != micros) {
            let start_s = self.seconds(start_tick).unwrap_or(0.0);
            let tick_s = f64::from(micros) * 1e-6 / f64::from(TICKS_PER_BEAT);
            self.spans.push(Span { start_tick, start_s, micros, tick_s });
        }
    }

    /// Time of a tick at or after the last span's start.
    fn seconds(&self, tick: u64) -> Option<f64> {
        let last = self.spans.last()?;
        Some(last.start_s + (tick - last.start_tick) as f64 * last.tick_s)
    }

    fn tick(&self, time_s: f64) -> u64 {
        let after = self.spans.partition_point(|span| span.start_s <= time_s);
        let span = self.spans[after.saturating_sub(1)];
        span.start_tick + ((time_s - span.start_s) / span.tick_s).round().max(0.0) as u64
    }
}

/// A beat as files tell it.
fn micros(beat_s: f64) -> u32 {
    (beat_s.clamp(BEAT_RANGE_S.0, BEAT_RANGE_S.1) * 1e6).round() as u32
}

/// Beats in the take and in order; a first one within half a beat of its start is left to the way in.
fn usable(beats_s: &[f64]) -> Vec<f64> {
    let mut beats: Vec<f64> = Vec::with_capacity(beats_s.len());
    for &beat in beats_s.iter().filter(|beat| beat.is_finite() && **beat >= 0.0) {
        if beats.last().is_none_or(|&last| beat - last >= BEAT_RANGE_S.0) {
            beats.push(beat);
        }
    }
    if beats.len() > 2 && beats[0] > 0.0 && beats[0] < 0.5 * (beats[1] - beats[0]) {
        beats.remove(0);
    }
    beats
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mark_note::MarkNote;

    const NOTE: MarkNote = MarkNote { channel: 1, key: 64, velocity: 90 };

    fn mark(time_s: f64, label: &str) -> Mark {
        Mark { time_s, length_s: 0.0, label: label.into(), sentence: format!("{label}: why"), note: NOTE }
    }

    type Markers = Vec<(f64, String)>;
    type Tempi = Vec<(f64, u32)>;

    /// Markers with their times, and tempi with theirs, by a reader that follows the standard's definition of time.
    fn read(bytes: &[u8]) -> (Markers, Tempi) {
        let smf = Smf::parse(bytes).expect("a MIDI file");
        let Timing::Metrical(ticks) = smf.header.timing else { panic!("metrical time") };
        let (mut now_s, mut micros) = (0.0, 500_000);
        let (mut markers, mut tempi) = (Vec::new(), Vec::new());
        for event in &smf.tracks[0] {
            now_s += f64::from(event.delta.as_int()) * f64::from(micros) * 1e-6 / f64::from(ticks.as_int());
            match event.kind {
                TrackEventKind::Meta(MetaMessage::Marker(text)) => {
                    markers.push((now_s, String::from_utf8(text.to_vec()).expect("ASCII")));
                }
                TrackEventKind::Meta(MetaMessage::Tempo(tempo)) => {
                    micros = tempo.as_int();
                    tempi.push((now_s, micros));
                }
                _ => {}
            }
        }
        (markers, tempi)
    }

    fn assert_near(markers: &[(f64, String)], marks: &[Mark]) {
        assert_eq!(markers.len(), marks.len());
        for ((time_s, label), mark) in markers.iter().zip(marks) {
            // Half a tick at 60 beats a minute is 0.05 ms.
            assert!((time_s - mark.time_s).abs() < 1e-4 && *label == mark.label, "{time_s} for {mark:?}");
        }
    }

    #[test]
    fn without_beats_the_tempo_is_120() {
        let marks = [mark(0.0, "a"), mark(1.0115, "b"), mark(7200.123, "c")];
        let (markers, tempi) = read(&bytes(&marks, &[]));
        assert_near(&markers, &marks);
        assert_eq!(tempi, [(0.0, 500_000)]);
    }

    #[test]
    fn an_even_grid_leads_in_with_whole_beats() {
        let beats: Vec<f64> = (0..200).map(|i| 1.1 + f64::from(i) * 60.0 / 72.0).collect();
        let marks = [mark(0.4, "early"), mark(1.1, "on"), mark(100.0, "x")];
        let bytes = bytes(&marks, &beats);
        let (markers, tempi) = read(&bytes);
        assert_near(&markers, &marks);
        // 72 beats a minute are 833 333 us; 1.1 s before are one beat of 1.1 s.
        assert_eq!(tempi.len(), 2, "{tempi:?}");
        assert!((tempi[1].0 - 1.1).abs() < 1e-5 && tempi[1].1.abs_diff(833_333) <= 1, "{tempi:?}");
    }

    #[test]
    fn a_drifting_grid_is_followed_beat_by_beat() {
        let mut beats = vec![0.9];
        for i in 0..300 {
            beats.push(beats[i] + 0.5 * (1.0 + 0.01 * (i as f64 / 20.0).sin()));
        }
        let marks: Vec<_> = beats.iter().map(|&b| mark(b, "beat")).collect();
        let (markers, _) = read(&bytes(&marks, &beats));
        assert_near(&markers, &marks);
        let smf_bytes = bytes(&marks, &beats);
        let smf = Smf::parse(&smf_bytes).expect("a MIDI file");
        // Every beat lies on a whole quarter, to the tolerance of 0.1 ms, which is 2 ticks here, and rounding.
        let mut tick = 0_u64;
        for event in &smf.tracks[0] {
            tick += u64::from(event.delta.as_int());
            if matches!(event.kind, TrackEventKind::Meta(MetaMessage::Marker(_))) {
                let off = (tick + 3) % u64::from(TICKS_PER_BEAT);
                assert!(off <= 6, "tick {tick}");
            }
        }
    }

    /// Ticks of the markers.
    fn ticks(bytes: &[u8]) -> Vec<u64> {
        let smf = Smf::parse(bytes).expect("a MIDI file");
        let mut now = 0;
        let mut found = Vec::new();
        for event in &smf.tracks[0] {
            now += u64::from(event.delta.as_int());
            if matches!(event.kind, TrackEventKind::Meta(MetaMessage::Marker(_))) {
                found.push(now);
            }
        }
        found
    }

    #[test]
    fn on_a_session_s_tempo_markers_stand_in_its_bars() {
        // The take begins on quarter 16; from quarter 20 on the session is half as fast.
        let bends = [Bend { quarter: 16.0, at_s: 0.0, bpm: 120.0 }, Bend { quarter: 20.0, at_s: 2.0, bpm: 60.0 }];
        let marks = [mark(1.0, "on 18"), mark(2.0, "on 20"), mark(3.5, "on 21 and a half")];
        let bytes = session_bytes(&marks, &bends);
        assert_eq!(ticks(&bytes), [18.0, 20.0, 21.5].map(|quarter| (quarter * 9600.0) as u64));
        let (markers, tempi) = read(&bytes);
        // The file begins with the session, 8 s before the take.
        let from_the_session_s_start: Vec<_> = marks.iter().map(|m| mark(m.time_s + 8.0, &m.label)).collect();
        assert_near(&markers, &from_the_session_s_start);
        assert_eq!(tempi, [(0.0, 500_000), (10.0, 1_000_000)]);
    }

    #[test]
    fn odd_bends_do_no_harm() {
        let odd = |quarter, at_s, bpm| Bend { quarter, at_s, bpm };
        for bends in [&[][..], &[odd(-1.0, 0.0, 120.0)], &[odd(0.0, f64::NAN, 120.0)], &[odd(0.0, 0.0, 0.0)]] {
            assert_near(&read(&session_bytes(&[mark(1.5, "x")], bends)).0, &[mark(1.5, "x")]);
        }
        assert_eq!(read(&session_bytes(&[mark(0.0, "before")], &[odd(0.0, 5.0, 60.0)])).0.len(), 1);
    }

    #[test]
    fn odd_beats_do_no_harm() {
        for beats in [&[f64::NAN, 1.0, 1.0, 0.5][..], &[-2.0, -1.0], &[0.0], &[0.1, 0.6, 1.1], &[0.0, 1e6]] {
            let marks = [mark(0.25, "x"), mark(30.0, "y")];
            let (markers, _) = read(&bytes(&marks, beats));
            assert_eq!(markers.len(), 2);
        }
    }

    #[test]
    fn a_day_without_a_mark_is_bridged() {
        let marks = [mark(86_400.0, "x")];
        assert_near(&read(&bytes(&marks, &[])).0, &marks);
    }

    #[test]
    fn each_marker_has_its_note_which_the_next_one_cuts() {
        // The second follows 40 ms after the first, the third is far.
        let bytes = bytes(&[mark(1.0, "a"), mark(1.04, "b"), mark(3.0, "c")], &[]);
        let smf = Smf::parse(&bytes).expect("a MIDI file");
        let (mut now, mut notes) = (0_u64, Vec::new());
        for event in &smf.tracks[0] {
            now += u64::from(event.delta.as_int());
            if let TrackEventKind::Midi { channel, message } = event.kind {
                assert_eq!(channel, 1);
                let (key, on) = match message {
                    MidiMessage::NoteOn { key, vel } => (key, vel == 90),
                    MidiMessage::NoteOff { key, .. } => (key, false),
                    other => panic!("{other:?}"),
                };
                assert_eq!(key, 64);
                // 9600 ticks a beat of 0.5 s are 19.2 a millisecond.
                notes.push(((now as f64 / 19.2).round() as u64, on));
            }
        }
        let expected = [(1000, true), (1040, false), (1040, true), (1140, false), (3000, true), (3100, false)];
        assert_eq!(notes, expected);
    }

    #[test]
    fn what_stands_behind_a_marker_is_a_text_at_its_place() {
        let bytes = bytes(&[mark(1.0, "F4 hard"), mark(2.0, "F4 clear")], &[]);
        let smf = Smf::parse(&bytes).expect("a MIDI file");
        let (mut now, mut told) = (0, Vec::new());
        for event in &smf.tracks[0] {
            now += u64::from(event.delta.as_int());
            if let TrackEventKind::Meta(MetaMessage::Text(text)) = event.kind {
                told.push((now, String::from_utf8_lossy(text).into_owned()));
            }
        }
        assert_eq!(told, [(19_200, "F4 hard: why".to_owned()), (38_400, "F4 clear: why".to_owned())]);
    }

    #[test]
    fn no_marks_are_a_valid_file() {
        assert!(read(&bytes(&[], &[])).0.is_empty());
    }
}
