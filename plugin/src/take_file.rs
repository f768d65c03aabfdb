//! A take file as a pass: read and analysed on a thread of its own, with progress.

use crate::params::NotefrontParams;
use crate::passes::{Origin, Pass};
use crate::session::SharedSession;
use crate::transport::TransportView;
use crate::worker;
use notefront_dsp::{Analyzer, Event};
use notefront_takes::audio_file::{AudioFile, ChannelChoice};
use parking_lot::Mutex;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

/// Samples between two looks at the events.
const CHUNK_LEN: usize = 4096;

/// Loads takes, one at a time. Dropping it stops what is under way and waits for its thread: the host may
/// unload the library right after.
pub struct TakeLoader {
    params: Arc<NotefrontParams>,
    thread: Mutex<Option<JoinHandle<()>>>,
    stop: Arc<AtomicBool>,
}

impl TakeLoader {
    /// A loader into this session.
    #[must_use]
    pub fn new(params: Arc<NotefrontParams>) -> Self {
        Self { params, thread: Mutex::new(None), stop: Arc::default() }
    }

    /// Begins to load a take; the session tells the progress, then the pass or why there is none.
    ///
    /// # Errors
    /// Another take is still loading, or the system has no thread to give.
    pub fn begin(&self, path: &Path) -> Result<(), String> {
        let mut thread = self.thread.lock();
        if thread.as_ref().is_some_and(|t| !t.is_finished()) {
            return Err("One take at a time: the other is still being analysed.".into());
        }
        let (path, params, stop) = (path.to_owned(), self.params.clone(), self.stop.clone());
        let spawned =
            std::thread::Builder::new().name("notefront take".into()).spawn(move || work(&path, &params, &stop));
        *thread = Some(spawned.map_err(|e| format!("The take cannot be loaded now: {e}."))?);
        Ok(())
    }

    /// Stops what is under way and waits for it.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.lock().take() {
            let _ = thread.join();
        }
    }
}

fn work(path: &Path, params: &NotefrontParams, stop: &AtomicBool) {
    let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    let outcome = load(path, &name, params, |share| {
        tell(&params.session, &name, share);
        !stop.load(Ordering::Relaxed)
    });
    let mut session = params.session.lock();
    session.loading = None;
    match outcome {
        Ok(pass) => {
            let id = session.add(pass);
            session.newest_loaded = Some(id);
        }
        Err(why) => session.notices.push(why),
    }
    drop(session);
    params.session.request_repaint();
}

fn tell(session: &SharedSession, name: &str, share: f32) {
    session.lock().loading = Some((name.to_owned(), share));
    session.request_repaint();
}

/// Reads and analyses a take. `progress` is told the share done, and says whether to go on.
///
/// # Errors
/// Why the file cannot be read or analysed, and what to do.
pub fn load(
    path: &Path,
    name: &str,
    params: &NotefrontParams,
    mut progress: impl FnMut(f32) -> bool,
) -> Result<Pass, String> {
    let mut file = AudioFile::open(path, ChannelChoice::default()).map_err(|e| format!("{e}. {}", e.remedy()))?;
    let rate_hz = file.sample_rate_hz();
    let mut analyzer = Analyzer::new(rate_hz, params.settings()).map_err(|e| e.to_string())?;
    let mut pass = Pass::begin(Origin::File(name.to_owned()), rate_hz, &TransportView::default());
    let total_s = file.promised_s();
    while let Some(block) = file.next_block().map_err(|e| format!("{e}. {}", e.remedy()))? {
        for chunk in block.chunks(CHUNK_LEN) {
            analyzer.push(chunk);
            collect(&mut analyzer, &mut pass, params);
        }
        pass.wave.push(block);
        pass.duration_s = file.position_s();
        if !progress(total_s.map_or(0.0, |total| (pass.duration_s / total) as f32)) {
            return Err(format!("{name} was not loaded to its end."));
        }
    }
    analyzer.finish();
    collect(&mut analyzer, &mut pass, params);
    pass.clipped_at_s = analyzer.clipped_at_s().to_vec();
    pass.live = false;
    Ok(pass)
}

fn collect(analyzer: &mut Analyzer, pass: &mut Pass, params: &NotefrontParams) {
    let judging = worker::judging(params);
    while let Some(event) = analyzer.next_event() {
        match event {
            Event::Front(front) => pass.push_front(front, &judging),
            Event::End { index, end_s } => pass.end_note(index, end_s),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_take_says_why_and_what_to_do() {
        let path = std::env::temp_dir().join(format!("notefront-no-take-{}.wav", std::process::id()));
        std::fs::write(&path, b"no sound at all").expect("a temporary folder");
        let why = load(&path, "x", &NotefrontParams::default(), |_| true).expect_err("it is no take");
        assert!(why.len() > 20 && why.contains(". "), "{why}");
        std::fs::remove_file(&path).expect("it is ours");
        assert!(load(&path, "x", &NotefrontParams::default(), |_| true).is_err());
    }
}
