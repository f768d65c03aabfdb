//! Flagged entrances as notes a host can record: which note, and the way from the worker to the audio side.

use crate::meters::Meters;
use notefront_dsp::Entrance;
use notefront_takes::mark_note::{MarkNote, NOTE_S};
use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// How far the sound is delayed when marker notes are on, seconds: an entrance is told about 0.7 s after
/// its onset, and the rest is room for the worker and for large blocks.
pub const LOOK_AHEAD_S: f64 = 1.0;
/// Notes that may wait between worker and audio side.
const NUM_WAITING: usize = 1024;

/// One note to send.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkerNote {
    /// Input sample it belongs to, counted from activation.
    pub clock: u64,
    /// What it is.
    pub note: MarkNote,
}

impl MarkerNote {
    /// The note of a flagged entrance; `None` for a clear one.
    #[must_use]
    pub fn of(entrance: &Entrance, clock: u64) -> Option<Self> {
        entrance.is_flagged().then(|| Self { clock, note: MarkNote::of(entrance) })
    }
}

/// What leaves within a block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sent {
    /// Begins at this sample of the block.
    On(u32, MarkerNote),
    /// Ends at this sample of the block.
    Off(u32, MarkerNote),
}

/// AUDIO: notes that wait for their place.
pub struct NoteQueue {
    waiting: Consumer<MarkerNote>,
    /// The note that sounds, and the output sample it ends at.
    sounding: Option<(MarkerNote, u64)>,
    /// A note that was cut short where nothing can be sent: it ends with the next block, or it would hang.
    to_end: Option<MarkerNote>,
    note_len: u64,
    delay: u64,
    meters: Arc<Meters>,
}

/// Both ends of the way from the worker to the audio side, without a delay at first. Allocates.
#[must_use]
pub fn pair(sample_rate_hz: f64, meters: Arc<Meters>) -> (Producer<MarkerNote>, NoteQueue) {
    let (producer, waiting) = RingBuffer::new(NUM_WAITING);
    let note_len = (NOTE_S * sample_rate_hz) as u64;
    (producer, NoteQueue { waiting, sounding: None, to_end: None, note_len, delay: 0, meters })
}

impl NoteQueue {
    /// Forgets what waits (a host's reset); what sounds ends with the next block.
    pub fn clear(&mut self) {
        while self.waiting.pop().is_ok() {}
        self.to_end = self.to_end.or(self.sounding.take().map(|(note, _)| note));
    }

    /// The note that sounds or waits for its end, when the run ends: the next run ends it.
    #[must_use]
    pub fn left_sounding(&self) -> Option<MarkerNote> {
        self.to_end.or(self.sounding.map(|(note, _)| note))
    }

    /// A note of the run before sounds still: it ends with the first block.
    pub fn end_first(&mut self, note: Option<MarkerNote>) {
        self.to_end = note;
    }

    /// From now on the sound is `delay` samples late. What waits belongs to another delay; what sounds is to be ended
    /// at once, or it would hang.
    pub fn switch_to(&mut self, delay: u64) -> Option<Sent> {
        let sounding = self.sounding.take();
        self.clear();
        self.delay = delay;
        sounding.map(|(note, _)| Sent::Off(0, note))
    }

    /// The end of a note that was cut short, if one waits for it.
    pub fn end_cut_short(&mut self) -> Option<Sent> {
        self.to_end.take().map(|note| Sent::Off(0, note))
    }

    /// The next thing to send in the block of `len` samples whose first output sample is `block_clock`.
    /// The output runs `delay` behind the input: input sample n leaves at output sample n + delay.
    pub fn next(&mut self, block_clock: u64, len: u64) -> Option<Sent> {
        if let Some(end) = self.end_cut_short() {
            return Some(end);
        }
        let block_end = block_clock + len;
        let on_at = self.waiting.peek().ok().map(|n| n.clock + self.delay);
        if let Some((note, off_at)) = self.sounding {
            // A new note cuts the one before: markers never overlap.
            let off_at = on_at.map_or(off_at, |on| off_at.min(on.max(block_clock)));
            if off_at < block_end {
                self.sounding = None;
                return Some(Sent::Off(off_at.saturating_sub(block_clock) as u32, note));
            }
        }
        let on_at = on_at.filter(|on| *on < block_end)?;
        let note = self.waiting.pop().ok()?;
        if on_at < block_clock {
            // Its place has gone by: a marker at the wrong place would lie.
            self.meters.late_notes.fetch_add(1, Ordering::Relaxed);
            return self.next(block_clock, len);
        }
        self.meters.sent_notes.fetch_add(1, Ordering::Relaxed);
        self.sounding = Some((note, on_at + self.note_len));
        Some(Sent::On((on_at - block_clock) as u32, note))
    }
}

/// WORKER: sends a note that lies after the last one.
pub fn send(notes: &mut Producer<MarkerNote>, note: Option<MarkerNote>, last: &mut Option<u64>) {
    let Some(note) = note.filter(|n| last.is_none_or(|l| n.clock > l)) else { return };
    *last = Some(note.clock);
    // A full queue means the host stopped taking blocks; the late count tells the rest.
    let _ = notes.push(note);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::FaultName;

    fn note(clock: u64) -> MarkerNote {
        MarkerNote { clock, note: MarkNote { channel: 0, key: 60, velocity: 64 } }
    }

    /// Everything sent over `blocks`, with absolute samples.
    fn play(notes: &[u64], block_len: u64, total: u64) -> (Vec<(u64, bool)>, u32) {
        let meters = Arc::new(Meters::default());
        let (mut producer, mut queue) = pair(1000.0, meters.clone());
        queue.switch_to(500);
        notes.iter().for_each(|n| producer.push(note(*n)).expect("there is room"));
        let mut sent = Vec::new();
        let mut clock = 0;
        while clock < total {
            while let Some(event) = queue.next(clock, block_len) {
                sent.push(match event {
                    Sent::On(at, _) => (clock + u64::from(at), true),
                    Sent::Off(at, _) => (clock + u64::from(at), false),
                });
            }
            clock += block_len;
        }
        (sent, meters.late_notes.load(Ordering::Relaxed))
    }

    #[test]
    fn notes_leave_at_their_sample_for_every_block_size() {
        for block_len in [1, 7, 64, 512, 8192] {
            let (sent, late) = play(&[10, 777], block_len, 4096);
            assert_eq!(sent, [(510, true), (610, false), (1277, true), (1377, false)], "blocks of {block_len}");
            assert_eq!(late, 0);
        }
    }

    #[test]
    fn a_close_note_cuts_the_one_before() {
        for block_len in [1, 64, 4096] {
            let (sent, _) = play(&[10, 40], block_len, 4096);
            assert_eq!(sent, [(510, true), (540, false), (540, true), (640, false)], "blocks of {block_len}");
        }
    }

    #[test]
    fn another_delay_ends_the_note_that_sounds_and_forgets_the_rest() {
        let (mut producer, mut queue) = pair(1000.0, Arc::new(Meters::default()));
        assert_eq!(queue.switch_to(500), None);
        [10, 700].into_iter().for_each(|clock| producer.push(note(clock)).expect("there is room"));
        assert_eq!(queue.next(500, 64), Some(Sent::On(10, note(10))));
        assert_eq!(queue.switch_to(0), Some(Sent::Off(0, note(10))));
        assert_eq!((queue.switch_to(500), queue.next(1200, 64)), (None, None));
    }

    #[test]
    fn a_reset_ends_the_note_that_sounds_with_the_next_block() {
        let (mut producer, mut queue) = pair(1000.0, Arc::new(Meters::default()));
        queue.switch_to(500);
        [10, 700].into_iter().for_each(|clock| producer.push(note(clock)).expect("there is room"));
        assert_eq!(queue.next(500, 64), Some(Sent::On(10, note(10))));
        queue.clear();
        queue.clear();
        assert_eq!((queue.next(0, 64), queue.next(0, 64)), (Some(Sent::Off(0, note(10))), None));
    }

    #[test]
    fn a_late_note_is_counted_and_not_sent_elsewhere() {
        let meters = Arc::new(Meters::default());
        let (mut producer, mut queue) = pair(1000.0, meters.clone());
        queue.switch_to(500);
        producer.push(note(10)).expect("there is room");
        assert_eq!(queue.next(511, 64), None);
        assert_eq!(meters.late_notes.load(Ordering::Relaxed), 1);
    }

    #[test]
    fn a_clear_entrance_has_no_note() {
        let clear = fixture::clear(0, 1.0, 46);
        assert_eq!(MarkerNote::of(&clear, 0), None);
        let airy = fixture::with_fault(clear, FaultName::Airy, 0.2);
        assert_eq!(MarkerNote::of(&airy, 5).map(|n| (n.clock, n.note)), Some((5, MarkNote::of(&airy))));
    }
}
