//! A take file as a pass: read and analysed on a thread of its own, with progress.

use crate::beside;
use crate::passes::{Origin, Pass};
use crate::project::Project;
use crate::session::SharedSession;
use crate::transport::TransportView;
use crate::wave::Wave;
use notefront_takes::take::{self, Reference, ScanOptions, Warning};
use parking_lot::Mutex;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

/// Loads takes, one at a time. Dropping it stops what is under way and waits for its thread: the host may
/// unload the library right after.
pub struct TakeLoader {
    project: Project,
    thread: Mutex<Option<JoinHandle<()>>>,
    stop: Arc<AtomicBool>,
}

impl TakeLoader {
    /// A loader into this session.
    #[must_use]
    pub fn new(project: Project) -> Self {
        Self { project, thread: Mutex::new(None), stop: Arc::default() }
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
        let (path, project, stop) = (path.to_owned(), self.project.clone(), self.stop.clone());
        let spawned =
            std::thread::Builder::new().name("notefront take".into()).spawn(move || work(&path, &project, &stop));
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

fn work(path: &Path, project: &Project, stop: &AtomicBool) {
    let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    let outcome = load(path, &name, project, |share| {
        tell(&project.session, &name, share);
        !stop.load(Ordering::Relaxed)
    });
    let mut session = project.session.lock();
    session.loading = None;
    match outcome {
        Ok((pass, oddities)) => {
            session.notices.extend(oddities);
            let id = session.add(pass);
            session.newest_loaded = Some(id);
        }
        Err(why) => session.notices.push(why),
    }
    drop(session);
    project.session.request_repaint();
}

fn tell(session: &SharedSession, name: &str, share: f32) {
    session.lock().loading = Some((name.to_owned(), share));
    session.request_repaint();
}

/// Reads and analyses a take as the program does, and lays over it what is said beside it; with it comes what is odd about the recording, in words. `progress` is
/// told the share done, and says whether to go on.
///
/// # Errors
/// Why the file cannot be read or analysed, and what to do.
pub fn load(
    path: &Path,
    name: &str,
    project: &Project,
    mut progress: impl FnMut(f32) -> bool,
) -> Result<(Pass, Vec<String>), String> {
    let mut outline: Option<Wave> = None;
    let options = ScanOptions { settings: project.settings(), ..ScanOptions::default() };
    let taken = take::scan_watched(path, options, &Reference::default(), |done, block| {
        outline.get_or_insert_with(|| Wave::new(done.rate_hz)).push(block);
        let share = done.total_s.map_or(0.0, |total| (done.done_s / total) as f32);
        if progress(share) { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    });
    let taken = taken.map_err(|e| format!("{name}: {e}"))?;
    let rate_hz = taken.source.analysed_rate_hz;
    let mut pass = Pass::begin(Origin::File(name.to_owned()), rate_hz, &TransportView::default());
    pass.wave = outline.unwrap_or_else(|| Wave::new(rate_hz));
    pass.duration_s = taken.source.duration_s;
    pass.live = false;
    let judging = project.judging();
    for entrance in &taken.entrances {
        pass.push_front(entrance.front, &judging);
    }
    let clipped = |w: &Warning| if let Warning::Clipped(at_s) = w { Some(*at_s) } else { None };
    pass.clipped_at_s = taken.warnings.iter().filter_map(clipped).collect();
    let unread = beside::lay(&mut pass, path, taken.sound, &judging).err();
    // The lane shows where it is clipped.
    let told = taken.warnings.iter().filter(|w| !matches!(w, Warning::Clipped(_) | Warning::ClippedMore(..)));
    let oddities = told.map(ToString::to_string).chain(unread);
    Ok((pass, oddities.map(|oddity| format!("{name}: {}.", oddity.trim_end_matches('.'))).collect()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn what_is_no_take_says_why_and_what_to_do() {
        let path = std::env::temp_dir().join(format!("notefront-no-take-{}.wav", std::process::id()));
        std::fs::write(&path, b"no sound at all").expect("a temporary folder");
        let why = load(&path, "x", &Project::default(), |_| true).expect_err("it is no take");
        assert!(why.len() > 20 && why.contains(". "), "{why}");
        std::fs::remove_file(&path).expect("it is ours");
        assert!(load(&path, "x", &Project::default(), |_| true).is_err());
    }

    /// Half a second of a take whose header promises a second.
    #[test]
    fn what_is_odd_about_a_take_is_told_and_a_stop_is_heeded() {
        let path = std::env::temp_dir().join(format!("notefront-cut-short-{}.wav", std::process::id()));
        let samples: Vec<i16> = (0..24_000).map(|i| ((f64::from(i) * 0.03).sin() * 9e3) as i16).collect();
        std::fs::write(&path, fixture::wav(48_000, &samples, 48_000)).expect("a temporary folder");
        let (pass, oddities) = load(&path, "x.wav", &Project::default(), |_| true).expect("it is a take");
        assert!((pass.duration_s - 0.5).abs() < 0.01 && !pass.live);
        assert!(oddities.iter().any(|text| text.contains("x.wav: cut short")), "{oddities:?}");
        let stopped = load(&path, "x.wav", &Project::default(), |_| false).expect_err("it was stopped");
        assert!(stopped.contains("stopped"), "{stopped}");
        std::fs::remove_file(&path).expect("it is ours");
    }
}
