//! What is listened to: the stretch that is asked for is taken from what is kept, made as loud as what it is held against,
//! slowed, and handed to the player. A take's file is read for it on a thread of its own, the first time.

use super::player::Player;
use super::stretch::{fade, stretched};
use crate::kept_sound::{Heard, KeptSound, MOST_S};
use crate::passes::PassId;
use crate::session::SharedSession;
use crate::view::listen::{Listening, Stretch};
use notefront_takes::audio_file::{AudioFile, ChannelChoice, resampled};
use notefront_takes::loudness::{Loudness, target_lufs};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

/// A stretch is played in pieces of so long: no longer one is slowed at once, s.
const PIECE_S: f64 = 20.0;
/// Sound is read from a file in blocks; so much more than the stretch is waited for, s.
const AHEAD_S: f64 = 0.5;

/// What is listened to.
pub struct Listener {
    session: SharedSession,
    kept: Arc<KeptSound>,
    /// Where it is played, and the rate there, Hz.
    output: Option<(Player, f64)>,
    /// What sounds.
    sounds: Option<Sounding>,
    /// What waits for its file to be read.
    waits: Option<Stretch>,
    reading: Option<Reading>,
}

/// A piece of a stretch that sounds.
struct Sounding {
    /// The player's name for it.
    id: u64,
    stretch: Stretch,
    /// The piece of it, s.
    piece_s: (f64, f64),
    rate_hz: f64,
}

/// A take's file that is being read.
struct Reading {
    pass: PassId,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<Result<(), String>>,
}

impl Listener {
    /// One over a session and what is kept of its sound, without an output yet.
    #[must_use]
    pub fn new(session: SharedSession, kept: Arc<KeptSound>) -> Self {
        Self { session, kept, output: None, sounds: None, waits: None, reading: None }
    }

    /// Another output, with its rate in Hz, or none.
    pub fn play_on(&mut self, output: Option<(Player, f64)>) {
        (self.output, self.sounds, self.waits) = (output, None, None);
    }

    /// Plays a stretch in place of what sounds.
    ///
    /// # Errors
    /// Why it cannot be heard, or what it waits for, in words.
    pub fn hear(&mut self, stretch: Stretch) -> Result<(), String> {
        self.stop();
        if self.output.is_none() {
            return Err("Choose an output to listen on.".into());
        }
        if self.has(&stretch) {
            let from_s = stretch.span_s.0;
            return self.play_from(stretch, from_s);
        }
        for pass in [stretch.pass].iter().chain(&stretch.beside) {
            if let Some(why) = self.wants_file(*pass)? {
                self.waits = Some(stretch);
                return Err(why);
            }
        }
        Err("The sound of this place is not kept: passes are kept while the window is open, takes from their files."
            .into())
    }

    /// Breaks off.
    pub fn stop(&mut self) {
        (self.sounds, self.waits) = (None, None);
        if let Some((player, _)) = &mut self.output {
            player.stop();
        }
    }

    /// Looks after what sounds and what waits; tells the window.
    pub fn look(&mut self, told: &mut Listening) {
        if let Some(outcome) = self.finished_reading() {
            told.trouble = outcome.err().unwrap_or_default();
        }
        // Where nothing is read any more, the next file is, or it is told why not.
        let is_next = self.reading.is_none() || self.waits.as_ref().is_some_and(|stretch| self.has(stretch));
        if let Some(stretch) = self.waits.take_if(|_| is_next) {
            told.trouble = self.hear(stretch).err().unwrap_or_default();
        }
        self.go_on();
        told.playing = self.now();
    }

    /// Which pass sounds, and where in it, s.
    #[must_use]
    pub fn now(&self) -> Option<(PassId, f64)> {
        let (sounds, (player, _)) = (self.sounds.as_ref()?, self.output.as_ref()?);
        let done_s = player.at(sounds.id).unwrap_or(0) as f64 / sounds.rate_hz * sounds.stretch.speed.value();
        Some((sounds.stretch.pass, (sounds.piece_s.0 + done_s).min(sounds.piece_s.1)))
    }

    /// True while the sound of a pass is read from its file; begins to read it where it is not kept.
    ///
    /// # Errors
    /// Why it cannot be read, in words.
    pub fn is_being_read(&mut self, pass: PassId) -> Result<bool, String> {
        Ok(!(self.is_read(pass) && self.kept.length_s(pass) > 0.0) && self.wants_file(pass)?.is_some())
    }

    /// True unless the file of a pass is being read just now.
    fn is_read(&self, pass: PassId) -> bool {
        self.reading.as_ref().is_none_or(|reading| reading.pass != pass)
    }

    /// True where all of a stretch is kept, and how loud its passes are is known to the end.
    fn has(&self, stretch: &Stretch) -> bool {
        let mut all = [stretch.pass].into_iter().chain(stretch.beside.iter().copied());
        all.all(|pass| self.kept.length_s(pass) > 0.0 && (self.is_read(pass) || stretch.beside.is_empty()))
            && (self.is_read(stretch.pass)
                || self.kept.length_s(stretch.pass) >= stretch.span_s.1.min(stretch.span_s.0 + PIECE_S) + AHEAD_S)
            && self.kept.length_s(stretch.pass) > stretch.span_s.0
    }

    /// Begins to read the file of a pass whose sound is not kept; what is waited for, `None` where there is nothing to read.
    fn wants_file(&mut self, pass: PassId) -> Result<Option<String>, String> {
        if let Some(reading) = &self.reading {
            return Ok(Some(match reading.pass == pass {
                true => "The sound is being read ...".into(),
                false => "The sound of another take is being read ...".into(),
            }));
        }
        let Some(take) = self.take_of(pass).filter(|_| self.kept.length_s(pass) == 0.0) else { return Ok(None) };
        let (kept, stop) = (self.kept.clone(), Arc::<AtomicBool>::default());
        let (session, stopped) = (self.session.clone(), stop.clone());
        let work = move || {
            let read = read(&take, pass, &kept, &stopped);
            session.request_repaint();
            read
        };
        let thread = std::thread::Builder::new().name("notefront sound".into()).spawn(work);
        let thread = thread.map_err(|e| format!("The sound cannot be read now: {e}."))?;
        self.reading = Some(Reading { pass, stop, thread });
        Ok(Some("The sound is being read ...".into()))
    }

    fn take_of(&self, pass: PassId) -> Option<PathBuf> {
        self.session.lock().pass(pass)?.take.clone()
    }

    fn finished_reading(&mut self) -> Option<Result<(), String>> {
        let done = self.reading.take_if(|reading| reading.thread.is_finished())?;
        let outcome = done.thread.join().unwrap_or_else(|_| Err("The sound could not be read.".into()));
        if outcome.is_err() {
            self.waits = None;
        }
        Some(outcome)
    }

    fn play_from(&mut self, stretch: Stretch, from_s: f64) -> Result<(), String> {
        let (begin_s, end_s) = stretch.span_s;
        let piece_s = (from_s, end_s.min(from_s + PIECE_S));
        let heard = self.kept.stretch(stretch.pass, piece_s).ok_or("The sound of this place is not kept.")?;
        let beside: Vec<Loudness> = stretch.beside.iter().filter_map(|pass| self.kept.loudness(*pass)).collect();
        let speak_s = self.speak_s(stretch.pass, piece_s);
        let Some((player, rate_hz)) = &mut self.output else { return Ok(()) };
        let is_whole = begin_s >= from_s && piece_s.1 >= end_s;
        let samples = made_ready(heard, &beside, (stretch.speed.value(), &speak_s), *rate_hz);
        let id = player.play(samples, stretch.is_looped && is_whole);
        self.sounds = Some(Sounding { id, stretch, piece_s, rate_hz: *rate_hz });
        Ok(())
    }

    /// When the entrances of a piece of a pass speak in it, s.
    fn speak_s(&self, pass: PassId, (from_s, to_s): (f64, f64)) -> Vec<f64> {
        let session = self.session.lock();
        let all = session.pass(pass).into_iter().flat_map(|pass| &pass.entrances).map(|e| e.front.speaks_s);
        all.filter(|s| (from_s..to_s).contains(s)).map(|s| s - from_s).collect()
    }

    /// The next piece after the one that has ended; none after the last, but in a loop.
    fn go_on(&mut self) {
        let is_over =
            |sounds: &mut Sounding| self.output.as_ref().is_none_or(|(player, _)| !player.is_under_way(sounds.id));
        let Some(ended) = self.sounds.take_if(is_over) else { return };
        let (begin_s, end_s) = ended.stretch.span_s;
        let next_s = match ended.piece_s.1 < end_s - 0.01 {
            true => ended.piece_s.1,
            false if ended.stretch.is_looped => begin_s,
            false => return,
        };
        // What ends here was asked for and heard.
        let _ = self.play_from(ended.stretch, next_s);
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        if let Some(reading) = self.reading.take() {
            reading.stop.store(true, Ordering::Relaxed);
            let _ = reading.thread.join();
        }
    }
}

/// A stretch as loud as what it is held against, at the output's rate, slowed, without clicks; with the times at which its
/// entrances speak, s.
fn made_ready(heard: Heard, beside: &[Loudness], (speed, speak_s): (f64, &[f64]), rate_hz: f64) -> Vec<f32> {
    let all: Vec<Loudness> = beside.iter().copied().chain([heard.loudness]).collect();
    let gain = heard.loudness.gain_to(target_lufs(&all)) as f32;
    let mut samples = stretched(&resampled(&heard.samples, heard.rate_hz, rate_hz), rate_hz, speed, speak_s);
    samples.iter_mut().for_each(|s| *s *= gain);
    fade(&mut samples, rate_hz);
    samples
}

/// Reads a take into what is kept, as far as there is room.
fn read(take: &Path, pass: PassId, kept: &KeptSound, stop: &AtomicBool) -> Result<(), String> {
    let told = |e: notefront_takes::audio_file::ReadError| format!("{}: {e}. {}", take.display(), e.remedy());
    let mut file = AudioFile::open(take, ChannelChoice::default()).map_err(told)?;
    let rate_hz = file.sample_rate_hz();
    let mut done = 0;
    while let Some(block) = file.next_block().map_err(told)? {
        kept.push(pass, rate_hz, block);
        done += block.len();
        if stop.load(Ordering::Relaxed) || done as f64 / rate_hz > MOST_S {
            break;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alone::player::{self, Playing};
    use crate::fixture;
    use crate::passes::Pass;
    use crate::view::listen::Speed;

    const OUT_HZ: f64 = 48_000.0;

    fn sine(seconds: f64, level: f32) -> Vec<f32> {
        (0..(seconds * 44_100.0) as usize).map(|i| level * (i as f32 * 0.03).sin()).collect()
    }

    /// A listener over two passes of 44.1 kHz, the second softer by 12 dB.
    fn listener() -> (Listener, Playing) {
        let kept = Arc::new(KeptSound::default());
        kept.push(1, 44_100.0, &sine(50.0, 0.4));
        kept.push(2, 44_100.0, &sine(5.0, 0.1));
        let (player, playing) = player::pair();
        let mut listener = Listener::new(SharedSession::default(), kept);
        listener.play_on(Some((player, OUT_HZ)));
        (listener, playing)
    }

    fn stretch(pass: PassId, span_s: (f64, f64), speed: Speed) -> Stretch {
        Stretch { pass, span_s, speed, is_looped: false, beside: vec![1, 2] }
    }

    /// Plays on for so long, s, as a window and a card would.
    fn run(listener: &mut Listener, playing: &mut Playing, seconds: f64) -> Vec<f32> {
        let mut out = vec![0.0; (seconds * OUT_HZ) as usize];
        for block in out.chunks_mut(480) {
            playing.add(block);
            listener.look(&mut Listening::default());
        }
        out
    }

    fn rms(samples: &[f32]) -> f32 {
        (samples.iter().map(|s| s * s).sum::<f32>() / samples.len() as f32).sqrt()
    }

    #[test]
    fn a_and_b_are_heard_at_one_loudness() {
        let (mut listener, mut playing) = listener();
        let mut heard = Vec::new();
        for pass in [1, 2] {
            listener.hear(stretch(pass, (1.0, 2.0), Speed::Full)).expect("it is kept");
            let out = run(&mut listener, &mut playing, 1.5);
            heard.push(rms(&out[4_800..40_000]));
            assert!(out[60_000..].iter().all(|s| *s == 0.0), "and is over");
        }
        assert!((heard[0] / heard[1] - 1.0).abs() < 0.02, "{heard:?}");
    }

    #[test]
    fn half_speed_takes_twice_as_long_and_tells_where_it_is() {
        let (mut listener, mut playing) = listener();
        listener.hear(stretch(1, (10.0, 11.0), Speed::Half)).expect("it is kept");
        run(&mut listener, &mut playing, 1.0);
        let (pass, at_s) = listener.now().expect("it sounds");
        // To a block of 10 ms, at half speed.
        assert!(pass == 1 && (at_s - 10.5).abs() < 0.006, "{at_s}");
        run(&mut listener, &mut playing, 1.1);
        assert_eq!(listener.now(), None);
    }

    #[test]
    fn a_long_stretch_goes_on_piece_by_piece_and_a_loop_begins_again() {
        let (mut listener, mut playing) = listener();
        listener.hear(Stretch { is_looped: true, ..stretch(1, (5.0, 50.0), Speed::Full) }).expect("it is kept");
        run(&mut listener, &mut playing, 30.0);
        let at_s = listener.now().expect("it sounds").1;
        assert!((at_s - 35.0).abs() < 0.1, "{at_s}");
        run(&mut listener, &mut playing, 20.0);
        let at_s = listener.now().expect("it sounds").1;
        assert!((at_s - 10.0).abs() < 0.1, "{at_s}");
        listener.stop();
        assert_eq!(listener.now(), None);
    }

    #[test]
    fn what_cannot_be_heard_says_why() {
        let (mut listener, _playing) = listener();
        for nothing in [stretch(3, (0.0, 1.0), Speed::Full), stretch(2, (70.0, 71.0), Speed::Full)] {
            assert!(listener.hear(nothing).expect_err("nothing is there").contains("not kept"));
        }
        listener.play_on(None);
        assert!(listener.hear(stretch(1, (0.0, 1.0), Speed::Full)).expect_err("no output").contains("output"));
    }

    #[test]
    fn a_take_is_read_from_its_file_when_it_is_asked_for() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let take = folder.path().join("take.wav");
        let samples: Vec<i16> = sine(3.0, 0.3).iter().map(|s| (s * 32_767.0) as i16).collect();
        std::fs::write(&take, fixture::wav(44_100, &samples, samples.len() as u32)).expect("room");
        let (mut listener, mut playing) = listener();
        let pass = Pass { take: Some(take.clone()), ..fixture::pass_at_60(&[1.0]) };
        let id = listener.session.lock().add(pass.clone());
        let other = listener.session.lock().add(pass);
        // The session's passes have the names of those that are kept here.
        [id, other].iter().for_each(|id| listener.kept.forget(*id));
        // How loud it is to be follows from both: one file is read after the other.
        let wanted = Stretch { beside: vec![id, other], ..stretch(id, (0.5, 1.5), Speed::Full) };
        assert!(listener.hear(wanted.clone()).expect_err("it is read first").contains("being read"));
        let began = std::time::Instant::now();
        while listener.now().is_none() && began.elapsed().as_secs() < 20 {
            std::thread::sleep(std::time::Duration::from_millis(5));
            listener.look(&mut Listening::default());
        }
        assert!(rms(&run(&mut listener, &mut playing, 0.5)) > 0.02);
        std::fs::remove_file(&take).expect("ours");
        listener.kept.forget(id);
        listener.hear(wanted).expect_err("it is looked for");
        let mut told = Listening::default();
        while told.trouble.is_empty() && began.elapsed().as_secs() < 20 {
            std::thread::sleep(std::time::Duration::from_millis(5));
            listener.look(&mut told);
        }
        assert!(told.trouble.contains("take.wav"), "{}", told.trouble);
    }
}
