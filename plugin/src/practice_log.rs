//! WORKER: kept passes into the player's practice log, where the player wants them there. While nothing is played; never
//! while drawing. A pass that cannot go there is kept in the project all the same, and the window says why. While one waits, the
//! project keeps when it began: what is given up because a host closes the insert goes there when the project is opened again.

use crate::passes::{Pass, PassId};
use crate::project::Project;
use crate::session::Session;
use notefront_dsp::Settings;
use notefront_takes::log::heard::HeardSound;
use notefront_takes::log::when::Moment;
use notefront_takes::log::{LogError, LoggedEntrance, TakeEntry, keep_in, place};
use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::PathBuf;
use std::time::Duration;

/// How long another writer is waited for; then it is tried again at the next look. Sound that comes meanwhile lies in the ring,
/// and a host that closes the insert waits no longer than this.
const PATIENCE: Duration = Duration::from_millis(40);

/// What of the passes is in the log.
#[derive(Debug, Default)]
pub struct PracticeLog {
    /// What each was when it went there.
    kept: HashMap<PassId, u64>,
    /// What the window was told last.
    said: Option<String>,
}

/// A pass on its way there.
struct Ready {
    id: PassId,
    print: u64,
    title: String,
    entry: TakeEntry,
}

impl PracticeLog {
    /// Keeps the next pass that the player kept; false when there is none to keep, none can be now, or nothing is to go on: then
    /// the log is as it was.
    pub fn keep_next(
        &mut self,
        project: &Project,
        path: impl FnOnce() -> Result<PathBuf, LogError>,
        goes_on: &dyn Fn() -> bool,
    ) -> bool {
        if !project.looks.read().keeps_log {
            return false;
        }
        let settings = project.settings();
        let Some(ready) = self.next(&mut project.session.lock(), settings) else { return false };
        let outcome = path().and_then(|path| keep_in(&path, &ready.entry, PATIENCE, goes_on));
        if matches!(outcome, Err(LogError::GivenUp)) {
            return false;
        }
        let said = outcome.as_ref().err().map(|why| {
            format!("\u{201c}{}\u{201d} is kept here, but is not in the practice log yet: {why}", ready.title)
        });
        if outcome.is_ok() {
            self.kept.insert(ready.id, ready.print);
            if let Some(pass) = project.session.lock().pass_mut(ready.id) {
                pass.waits_since = None;
            }
        }
        self.say(project, said);
        outcome.is_ok()
    }

    /// The next pass of this run that is kept, has ended, and is not in the log as it is now.
    fn next(&self, session: &mut Session, settings: Settings) -> Option<Ready> {
        let waiting = self.waiting(session);
        for (id, _, moment) in &waiting {
            if let Some(pass) = session.pass_mut(*id) {
                pass.waits_since = Some(*moment);
            }
        }
        let &(id, print, moment) = waiting.first()?;
        let pass = session.pass(id)?;
        Some(Ready { id, print, title: pass.title(), entry: entry(pass, &session.track, settings, moment) })
    }

    fn waiting(&self, session: &Session) -> Vec<(PassId, u64, Moment)> {
        let kept = session.passes().iter().filter(|pass| pass.kept && !pass.live && !pass.entrances.is_empty());
        let waiting = kept.filter_map(|pass| Some((pass.id, print(pass), *session.begun.get(&pass.id)?)));
        waiting.filter(|(id, print, _)| self.kept.get(id) != Some(print)).collect()
    }

    /// Says what is to be said in place of what was said before.
    fn say(&mut self, project: &Project, said: Option<String>) {
        if self.said == said {
            return;
        }
        let mut session = project.session.lock();
        let before = self.said.take();
        session.notices.retain(|notice| Some(notice) != before.as_ref());
        session.notices.extend(said.clone());
        drop(session);
        self.said = said;
        project.session.request_repaint();
    }
}

/// What can change of a pass in the log, as one number.
fn print(pass: &Pass) -> u64 {
    let mut hasher = DefaultHasher::new();
    (&pass.name, pass.num_changes()).hash(&mut hasher);
    for entrance in &pass.entrances {
        (entrance.front.index, entrance.verdict.clarity.to_bits(), entrance.is_flagged()).hash(&mut hasher);
        entrance.front.end_s.map(f64::to_bits).hash(&mut hasher);
    }
    hasher.finish()
}

/// A pass as the log keeps it. Known again by what was measured of it, since its sound is with the host; so no room is told.
fn entry(pass: &Pass, track: &str, settings: Settings, (begun_s, utc_offset_min): Moment) -> TakeEntry {
    let name = if track.is_empty() { pass.title() } else { format!("{track}: {}", pass.title()) };
    let entrances = pass.entrances.iter().enumerate();
    TakeEntry {
        player: place::ALONE.into(),
        name,
        begun_s,
        utc_offset_min,
        is_when_given: false,
        duration_s: pass.duration_s,
        sample_rate_hz: pass.sample_rate_hz,
        settings,
        warnings: Vec::new(),
        sound: HeardSound::of_fronts(pass.sample_rate_hz, pass.measured().iter().map(|e| &e.front)),
        entrances: entrances.map(|(i, entrance)| LoggedEntrance::heard(entrance, pass.said_of(i))).collect(),
        has_all_corrections: true,
        tags: vec!["insert".into()],
        note: String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_takes::corrections::{By, What};
    use notefront_takes::log::{Log, Span};
    use std::cell::Cell;
    use std::path::Path;

    /// A project that keeps the log, with a kept pass of this run.
    fn project() -> (Project, PassId) {
        let project = Project::default();
        project.looks.write().keeps_log = true;
        let mut session = project.session.lock();
        let id = session.add(Pass { kept: true, ..fixture::mixed_pass(20, 1) });
        session.begun.insert(id, (1_772_474_400, 60));
        drop(session);
        (project, id)
    }

    struct Place(PathBuf);

    impl Place {
        fn new(name: &str) -> Self {
            Self(std::env::temp_dir().join(format!("notefront-{name}-{}.log", std::process::id())))
        }

        fn num_takes(&self) -> usize {
            let log = Log::open_existing(&self.0).expect("a log");
            log.takes(log.player(None).expect("alone"), &Span::default()).expect("readable").len()
        }
    }

    impl Drop for Place {
        fn drop(&mut self) {
            let _ = std::fs::remove_file(&self.0);
        }
    }

    fn keep_all(log: &mut PracticeLog, project: &Project, path: &Path) -> usize {
        (0..10).take_while(|_| log.keep_next(project, || Ok(path.to_owned()), &|| true)).count()
    }

    #[test]
    fn a_kept_pass_goes_into_the_log_once_and_again_when_it_changes() {
        let place = Place::new("kept");
        let (project, id) = project();
        let mut log = PracticeLog::default();
        assert_eq!((keep_all(&mut log, &project, &place.0), place.num_takes()), (1, 1));
        assert_eq!(keep_all(&mut log, &project, &place.0), 0, "it is there");
        // Said fine, it is the same take with another word on it; another instance knows it again.
        let judging = project.judging();
        let mut session = project.session.lock();
        let pass = session.pass_mut(id).expect("it was added");
        let at_s = pass.entrances[0].front.speaks_s;
        pass.say(By::Insert, at_s, What::Fine { reason: None }, &judging);
        drop(session);
        let num = keep_all(&mut log, &project, &place.0) + keep_all(&mut PracticeLog::default(), &project, &place.0);
        assert!(num >= 1 && place.num_takes() == 1);
        let kept = Log::open_existing(&place.0).expect("a log");
        let take = kept.takes(kept.player(None).expect("alone"), &Span::default()).expect("readable").remove(0);
        assert_eq!((take.begun_s, take.utc_offset_min), (1_772_474_400, 60));
        assert_eq!(kept.entrances(&take).expect("readable").len(), 20);
    }

    #[test]
    fn nothing_goes_there_unasked() {
        let place = Place::new("unasked");
        let (project, id) = project();
        let mut log = PracticeLog::default();
        project.looks.write().keeps_log = false;
        assert_eq!(keep_all(&mut log, &project, &place.0), 0);
        project.looks.write().keeps_log = true;
        project.session.lock().pass_mut(id).expect("it was added").kept = false;
        // Of an earlier run: nobody knows when it was played.
        project.session.lock().add(Pass { kept: true, ..fixture::mixed_pass(9, 2) });
        assert_eq!(keep_all(&mut log, &project, &place.0), 0);
        assert!(!place.0.exists());
    }

    #[test]
    fn what_is_given_up_leaves_nothing_half_and_goes_there_when_the_project_is_opened_again() {
        let place = Place::new("given-up");
        let project = Project::default();
        project.looks.write().keeps_log = true;
        let mut session = project.session.lock();
        let id = session.add(Pass { kept: true, ..fixture::mixed_pass(2_000, 1) });
        session.begun.insert(id, (1_772_474_400, 60));
        drop(session);
        // The host closes the insert at the first look, amid, and at the last, before all is made to last.
        for num_looks in [0, 1, 7, 20, 21] {
            let (mut log, left) = (PracticeLog::default(), Cell::new(num_looks));
            let goes_on = || left.get() > 0 && left.replace(left.get() - 1) > 0;
            assert!(!log.keep_next(&project, || Ok(place.0.clone()), &goes_on), "{num_looks}");
            let kept = Log::open_existing(&place.0).expect("a log");
            assert!(kept.player(None).is_err(), "nobody is in it: {num_looks}");
        }
        assert!(project.session.lock().notices.is_empty());
        let later = Project::default();
        later.take_fields(&project.fields().expect("plain data"));
        let mut log = PracticeLog::default();
        assert_eq!((keep_all(&mut log, &later, &place.0), place.num_takes()), (1, 1));
        let kept = Log::open_existing(&place.0).expect("a log");
        let take = kept.takes(kept.player(None).expect("alone"), &Span::default()).expect("readable").remove(0);
        assert_eq!((take.begun_s, take.utc_offset_min), (1_772_474_400, 60));
        assert_eq!(kept.entrances(&take).expect("readable").len(), 2_000);
        // Once it is there, a project keeps no time of it any more: what is taken out of the log stays out.
        let last = Project::default();
        last.take_fields(&later.fields().expect("plain data"));
        assert_eq!(keep_all(&mut PracticeLog::default(), &last, &place.0), 0);
    }

    #[test]
    fn a_log_that_cannot_be_used_is_said_once_and_the_pass_stays() {
        let place = Place::new("locked");
        std::fs::write(&place.0, "these are not the notes you want").expect("a temporary folder");
        let (project, id) = project();
        let mut log = PracticeLog::default();
        assert_eq!(keep_all(&mut log, &project, &place.0) + keep_all(&mut log, &project, &place.0), 0);
        let notices = project.session.lock().notices.clone();
        assert!(
            notices.len() == 1 && notices[0].contains("is kept here, but is not in the practice log"),
            "{notices:?}"
        );
        assert!(project.session.lock().pass(id).is_some_and(|pass| pass.kept));
        // Mended, it goes there, and nothing is said any more.
        std::fs::remove_file(&place.0).expect("it is there");
        assert_eq!(keep_all(&mut log, &project, &place.0), 1);
        assert!(project.session.lock().notices.is_empty());
    }
}
