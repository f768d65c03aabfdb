//! What is said of a take that was opened, kept in the file of corrections beside it too, which every scan of it follows. The file is
//! that of `notefront_takes::corrections`: written whole or not at all, and what others wrote meanwhile is taken in.

use crate::bounds;
use crate::passes::{Pass, PassId};
use crate::session::SharedSession;
use crate::timing::Judging;
use notefront_takes::corrections::file::{path_of, read};
use notefront_takes::corrections::{Corrections, CorrectionsError, Fingerprint, amend, find};
use std::path::{Path, PathBuf};

/// Lays what lies beside a take over the pass that was made of it; where it cannot be read, why.
///
/// # Errors
/// Why what lies there is not followed, in words.
pub fn lay(pass: &mut Pass, take: &Path, sound: Fingerprint, judging: &Judging) -> Result<(), String> {
    let name = take.file_name().unwrap_or(take.as_os_str()).to_string_lossy();
    pass.take = Some(std::path::absolute(take).unwrap_or_else(|_| take.to_owned()));
    pass.corrections = Corrections::new(&name, sound);
    let found = find(take, &pass.corrections.sound).map_err(|e| format!("corrections were not applied: {e}"))?;
    if let Some(found) = found {
        pass.take_in(&within_bounds(&found.corrections), found.later_s, judging);
    }
    Ok(())
}

/// Keeps what is said of a pass beside its take; `None` for a pass that came from none. What lies there by now is taken in.
pub fn keep(session: &SharedSession, id: PassId, judging: &Judging) -> Option<Result<(), String>> {
    let (take, ours) = take_of(session, id)?;
    let written = amend(&take, &ours.sound, |kept, later_s| {
        kept.merge(&ours, -later_s);
        (kept.clone(), later_s)
    });
    Some(match written {
        Ok(((kept, later_s), _)) => {
            take_in(session, id, &kept, later_s, judging);
            Ok(())
        }
        Err(e) => Err(in_words(&e)),
    })
}

/// Looks at what lies beside the takes of all passes: a project that is opened again may have missed some of it.
pub fn look_again(session: &SharedSession, judging: &Judging) {
    let ids: Vec<PassId> = session.lock().passes().iter().filter(|p| p.take.is_some()).map(|p| p.id).collect();
    for id in ids {
        let Some((take, ours)) = take_of(session, id) else { continue };
        let Ok(kept) = read(&path_of(&take)) else { continue };
        if let Some(later_s) = ours.sound.later_than(&kept.sound) {
            take_in(session, id, &kept, later_s, judging);
        }
    }
}

fn take_of(session: &SharedSession, id: PassId) -> Option<(PathBuf, Corrections)> {
    let session = session.lock();
    let pass = session.pass(id)?;
    Some((pass.take.clone()?, pass.corrections.clone()))
}

/// Files are read and written without the session's lock: nobody waits for a slow disk.
fn take_in(session: &SharedSession, id: PassId, kept: &Corrections, later_s: f64, judging: &Judging) {
    let mut session = session.lock();
    let Some(pass) = session.pass_mut(id) else { return };
    let kept = &within_bounds(kept);
    let is_known = |id: &str| pass.corrections.corrections.iter().any(|ours| ours.id == id);
    let brings_more =
        kept.corrections.iter().any(|c| !is_known(&c.id)) || !kept.undone.is_subset(&pass.corrections.undone);
    if brings_more {
        pass.take_in(kept, later_s, judging);
    }
}

/// Anybody may have written the file: what no correction can be is left in it.
fn within_bounds(kept: &Corrections) -> Corrections {
    let mut kept = kept.clone();
    kept.corrections.retain(bounds::is_correction);
    kept
}

/// Why, without the full stop that some of the reasons end with.
fn in_words(e: &CorrectionsError) -> String {
    e.to_string().trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choices::Choices;
    use crate::fixture;
    use crate::passes::Origin;
    use notefront_takes::corrections::{By, What};

    fn judging() -> Judging {
        Choices::default().judging()
    }

    /// A session with a pass of a take in a folder; twelve rises, as a take has.
    fn opened(take: &Path) -> (SharedSession, PassId) {
        let rises = (1..=12).map(|k| (0.7 * f64::from(k) + 0.03 * f64::from(k * k % 7), 20.0)).collect();
        let mut pass = Pass { origin: Origin::File("take.wav".into()), ..fixture::mixed_pass(20, 3) };
        pass.rejudge(&judging());
        lay(&mut pass, take, Fingerprint { duration_s: 20.0, rises }, &judging()).expect("nothing is wrong there");
        let session = SharedSession::default();
        let id = session.lock().add(pass);
        (session, id)
    }

    fn say(session: &SharedSession, id: PassId, place: usize, what: What) -> String {
        let mut session = session.lock();
        let pass = session.pass_mut(id).expect("it was added");
        let at_s = pass.entrances[place].front.speaks_s;
        pass.say(By::Insert, at_s, what, &judging()).expect("room")
    }

    #[test]
    fn what_is_said_in_one_window_is_there_in_another_and_undone_in_both() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let take = folder.path().join("take.wav");
        let (first, id) = opened(&take);
        assert!(!path_of(&take).exists(), "nothing is written where nothing was said");
        let removed = say(&first, id, 3, What::Removed);
        assert_eq!(keep(&first, id, &judging()), Some(Ok(())));
        let (second, other) = opened(&take);
        assert_eq!(second.lock().pass(other).map(|p| p.entrances.len()), Some(19));
        // Both say something before either has seen it of the other.
        say(&first, id, 5, What::Fine { reason: None });
        say(&second, other, 8, What::Joined);
        for (session, id) in [(&first, id), (&second, other), (&first, id)] {
            assert_eq!(keep(session, id, &judging()), Some(Ok(())));
        }
        let said = |session: &SharedSession, id| session.lock().pass(id).map(|p| p.said());
        assert_eq!(said(&first, id), said(&second, other));
        assert_eq!(said(&first, id).map(|all| all.len()), Some(3));
        first.lock().pass_mut(id).expect("there").undo(&removed, &judging());
        keep(&first, id, &judging());
        look_again(&second, &judging());
        assert_eq!(said(&second, other).map(|all| all.len()), Some(2));
        let kept = read(&path_of(&take)).expect("corrections");
        assert_eq!((kept.corrections.len(), kept.undone.len(), kept.take.as_str()), (3, 1, "take.wav"));
    }

    #[test]
    fn what_is_not_ours_is_left_and_why_is_told() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let take = folder.path().join("take.wav");
        let (session, id) = opened(&take);
        std::fs::write(path_of(&take), "something else").expect("room");
        say(&session, id, 3, What::Removed);
        let why = keep(&session, id, &judging()).expect("it came from a take").expect_err("not ours");
        assert!(why.contains("left as it is"), "{why}");
        assert_eq!(std::fs::read_to_string(path_of(&take)).expect("there"), "something else");
        let mut pass = fixture::mixed_pass(4, 1);
        let why = lay(&mut pass, &take, Fingerprint::default(), &judging()).expect_err("not ours");
        assert!(why.starts_with("corrections were not applied"), "{why}");
        let played = session.lock().add(fixture::mixed_pass(4, 1));
        assert_eq!(keep(&session, played, &judging()), None);
    }
}
