//! Better or worse: clarity and every fault by week, the change over all sessions tested against chance, and whether it is
//! the player who changed or the room.

use super::Played;
use super::habits::{Standing, standing_out};
use super::read::sessions;
use super::when::monday;
use crate::patterns::{Facet, Kind};
use crate::statistics::{self, hedges_g, mean, trend, two_sided_t};
use crate::summary::MIN_VALUES;
use jiff::civil::Date;
use notefront_dsp::FaultName;
use rayon::prelude::*;
use std::collections::HashMap;

/// Which notes are followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum What {
    /// The clarity of all notes.
    Clarity,
    /// The share of notes with a fault.
    Fault(FaultName),
    /// The clarity of one kind of notes, against all others of the same session.
    Kind(Facet, Kind),
}

/// A week's sessions.
#[derive(Debug, Clone, PartialEq)]
pub struct Week {
    /// Its Monday.
    pub monday: Date,
    /// Sessions and notes in it.
    pub num_sessions: usize,
    /// Notes in it.
    pub num_notes: usize,
    /// Mean over its sessions, in the order of the lines; `None` where no session has enough notes.
    pub means: Vec<Option<f64>>,
}

/// One thing followed over all sessions.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What.
    pub what: What,
    /// Change a week: points of clarity, or percentage points of notes with the fault.
    pub per_week: f64,
    /// How likely chance alone draws any of the lines so steep.
    pub chance: f64,
    /// Means of the first and of the last third of the sessions.
    pub ends: (f64, f64),
    /// Their difference against the spread of sessions (Hedges' g), turned so that more is better.
    pub better_by: Option<f64>,
    /// Sessions with enough notes.
    pub num_sessions: usize,
}

/// What may be said of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// It gets better, by more than chance makes.
    Better,
    /// It gets worse, by more than chance makes.
    Worse,
    /// It changes by no more than chance makes.
    Chance,
    /// It changes by more than chance makes, and so did room or microphone: which of them it was cannot be told.
    PlayerOrRoom,
}

impl Course {
    /// Whether a change of the playing is claimed.
    #[must_use]
    pub fn is_claimed(self) -> bool {
        matches!(self, Self::Better | Self::Worse)
    }
}

/// What a microphone or a room changed between the first and the last third of the sessions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoomChange {
    /// The quiet between the notes against the loud notes, dB, last less first.
    pub floor_db: f64,
    /// The fall of the playing's spectrum, dB an octave, last less first.
    pub tilt_db: f64,
    /// The larger of the two against its own spread over the sessions (Hedges' g), without its sign.
    pub size: f64,
}

/// A player's progress over some takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Weeks with any session, in their order.
    pub weeks: Vec<Week>,
    /// What is followed and can be told, clarity first.
    pub lines: Vec<Line>,
    /// Kinds that stand out over all of it, and are followed.
    pub standing: Vec<Standing>,
    /// Where room or microphone changed more than the player did.
    pub room: Option<RoomChange>,
}

/// Changes of room and microphone under these are no change, dB and dB an octave \[H\].
const LEAST_FLOOR_DB: f64 = 4.0;
const LEAST_TILT_DB: f64 = 1.5;
const SECONDS_A_WEEK: f64 = 604_800.0;

/// One session's figure.
struct Point {
    week: f64,
    monday: Date,
    value: f64,
}

impl Progress {
    /// Over takes in the order they were played.
    #[must_use]
    pub fn of(played: &[Played]) -> Self {
        let sessions = sessions(played);
        // What stands out is found over the whole time: a kind that was chosen for its first weeks would seem to mend by
        // chance alone.
        let standing = standing_out(&sessions);
        let mut asked = vec![What::Clarity];
        asked.extend(standing.iter().map(|s| What::Kind(s.facet, s.kind)));
        asked.extend(FaultName::ALL.map(What::Fault));
        let all_points = points(&sessions, &asked);
        let weeks = weeks(&sessions, &all_points);
        let mut lines: Vec<(usize, Line)> = asked
            .iter()
            .zip(&all_points)
            .enumerate()
            .filter_map(|(i, (&what, points))| Some((i, line(what, points)?)))
            .collect();
        let chances = statistics::holm(&lines.iter().map(|(_, line)| line.chance).collect::<Vec<_>>());
        lines.iter_mut().zip(chances).for_each(|((_, line), chance)| line.chance = chance);
        let told: Vec<usize> = lines.iter().map(|(i, _)| *i).collect();
        let weeks = weeks.into_iter().map(|week| Week { means: told.iter().map(|&i| week.means[i]).collect(), ..week });
        let lines: Vec<Line> = lines.into_iter().map(|(_, line)| line).collect();
        let room = room_change(&sessions).filter(|room| {
            let of_player = lines.first().and_then(|line| line.better_by).unwrap_or(0.0).abs();
            room.size > of_player
        });
        Self { weeks: weeks.collect(), lines, standing, room }
    }

    /// What may be said of a line of it: nothing of the player where the room may have made it.
    #[must_use]
    pub fn course(&self, line: &Line) -> Course {
        let is_fault = matches!(line.what, What::Fault(_));
        match line.chance < statistics::LEVEL {
            false => Course::Chance,
            true if self.room.is_some() => Course::PlayerOrRoom,
            true if (line.per_week > 0.0) == is_fault => Course::Worse,
            true => Course::Better,
        }
    }
}

/// What is counted of a session in one pass over its notes.
struct Sums {
    num: usize,
    clarity: f64,
    faults: [usize; FaultName::ALL.len()],
    /// Notes and sum of clarity of each kind that is followed.
    kinds: Vec<(usize, f64)>,
}

impl Sums {
    fn of(session: &[Played], asked: &[What]) -> Self {
        let kinds: Vec<(Facet, Kind)> = followed(asked).collect();
        let mut sums =
            Self { num: 0, clarity: 0.0, faults: [0; FaultName::ALL.len()], kinds: vec![(0, 0.0); kinds.len()] };
        for played in session {
            for note in played.counted() {
                let clarity = f64::from(note.clarity);
                sums.num += 1;
                sums.clarity += clarity;
                note.for_each_fault(|fault| sums.faults[fault] += 1);
                for (sum, &(facet, kind)) in sums.kinds.iter_mut().zip(&kinds) {
                    if note.kinds[facet as usize] == kind {
                        *sum = (sum.0 + 1, sum.1 + clarity);
                    }
                }
            }
        }
        sums
    }

    /// Clarity in points, a fault in percent of the notes; `None` of fewer than five notes.
    fn figure(&self, asked: &[What], what: What) -> Option<f64> {
        let mean_of = |(num, sum): (usize, f64)| (num >= MIN_VALUES).then(|| sum / num as f64);
        let (num, clarity) = (self.num, self.clarity);
        match what {
            What::Clarity => mean_of((num, clarity)),
            What::Fault(name) => mean_of((num, 100.0 * self.faults[name as usize] as f64)),
            What::Kind(facet, kind) => {
                let at = followed(asked).position(|key| key == (facet, kind))?;
                let of_kind = self.kinds[at];
                // A day on which everything goes worse is no news of this kind.
                Some(mean_of(of_kind)? - mean_of((num - of_kind.0, clarity - of_kind.1))?)
            }
        }
    }
}

/// The kinds among what is asked.
fn followed(asked: &[What]) -> impl Iterator<Item = (Facet, Kind)> + '_ {
    asked.iter().filter_map(|what| match *what {
        What::Kind(facet, kind) => Some((facet, kind)),
        _ => None,
    })
}

/// The figures of every session, for each that is asked those with enough notes.
fn points(sessions: &[&[Played]], asked: &[What]) -> Vec<Vec<Point>> {
    let Some(first_s) = sessions.first().map(|session| session[0].take.session_begun_s) else {
        return asked.iter().map(|_| Vec::new()).collect();
    };
    let sums: Vec<Sums> = sessions.par_iter().map(|session| Sums::of(session, asked)).collect();
    let of = |what: What| {
        let figures = sessions.iter().zip(&sums).filter_map(move |(session, sums)| {
            let take = &session[0].take;
            let week = (take.session_begun_s - first_s) as f64 / SECONDS_A_WEEK;
            Some(Point { week, monday: monday(take.day()), value: sums.figure(asked, what)? })
        });
        figures.collect()
    };
    asked.iter().map(|&what| of(what)).collect()
}

fn weeks(sessions: &[&[Played]], points: &[Vec<Point>]) -> Vec<Week> {
    let by_week: Vec<HashMap<Date, (f64, f64)>> = points.iter().map(|points| sums_by_week(points)).collect();
    let mut weeks: Vec<Week> = Vec::new();
    for session in sessions {
        let monday = monday(session[0].take.day());
        if weeks.last().is_none_or(|week| week.monday != monday) {
            let means = by_week.iter().map(|sums| sums.get(&monday).map(|(num, sum)| sum / num)).collect();
            weeks.push(Week { monday, num_sessions: 0, num_notes: 0, means });
        }
        if let Some(week) = weeks.last_mut() {
            week.num_sessions += 1;
            week.num_notes += session.iter().map(Played::num_notes).sum::<usize>();
        }
    }
    weeks
}

/// Points of each week, and their sum.
fn sums_by_week(points: &[Point]) -> HashMap<Date, (f64, f64)> {
    let mut sums: HashMap<Date, (f64, f64)> = HashMap::new();
    for point in points {
        let sum = sums.entry(point.monday).or_default();
        *sum = (sum.0 + 1.0, sum.1 + point.value);
    }
    sums
}

/// The first and the last third of some values; `None` of fewer than six.
fn thirds<T>(values: &[T]) -> Option<(&[T], &[T])> {
    let third = values.len() / 3;
    (third >= 2).then(|| (&values[..third], &values[values.len() - third..]))
}

fn line(what: What, points: &[Point]) -> Option<Line> {
    let pairs: Vec<(f64, f64)> = points.iter().map(|p| (p.week, p.value)).collect();
    let trend = trend(&pairs)?;
    let values: Vec<f64> = points.iter().map(|p| p.value).collect();
    let (first, last) = thirds(&values)?;
    let sign = if matches!(what, What::Fault(_)) { -1.0 } else { 1.0 };
    Some(Line {
        what,
        per_week: trend.slope,
        chance: trend.chance,
        ends: (mean(first)?, mean(last)?),
        better_by: hedges_g(first, last).map(|g| sign * g),
        num_sessions: points.len(),
    })
}

/// What room and microphone changed; `None` where they changed by no more than they always do.
fn room_change(sessions: &[&[Played]]) -> Option<RoomChange> {
    let of_session = |session: &&[Played]| {
        let floors: Vec<f64> =
            session.iter().filter_map(|played| Some(played.take.room?.floor_db - played.take.loud_db?)).collect();
        let tilts: Vec<f64> = session.iter().filter_map(|played| played.take.room?.tone_tilt_db).collect();
        Some((mean(&floors)?, mean(&tilts)?))
    };
    let all: Vec<(f64, f64)> = sessions.iter().filter_map(of_session).collect();
    let (first, last) = thirds(&all)?;
    let column = |of: fn(&(f64, f64)) -> f64| {
        let (first, last): (Vec<f64>, Vec<f64>) = (first.iter().map(of).collect(), last.iter().map(of).collect());
        let change = mean(&last)? - mean(&first)?;
        // Rooms that are each the same to the last digit differ by all of it.
        Some((change, hedges_g(&first, &last).unwrap_or(if change == 0.0 { 0.0 } else { f64::INFINITY }).abs()))
    };
    let ((floor_db, floor_size), (tilt_db, tilt_size)) = (column(|s| s.0)?, column(|s| s.1)?);
    let of_floor = if floor_db.abs() >= LEAST_FLOOR_DB { floor_size } else { 0.0 };
    let of_tilt = if tilt_db.abs() >= LEAST_TILT_DB { tilt_size } else { 0.0 };
    let size = of_floor.max(of_tilt);
    (size > 0.0).then_some(RoomChange { floor_db, tilt_db, size })
}

/// A figure of the last session that lies outside the player's own usual.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unusual {
    /// What.
    pub what: What,
    /// In the last session.
    pub value: f64,
    /// Mean over those before.
    pub usual: f64,
    /// Half width of the range in which 90 % of sessions as before would lie.
    pub range: f64,
    /// How likely any figure lies so far off, were it a session as those before.
    pub chance: f64,
}

/// Sessions that make the usual, at most: half a year ago a player was another one \[H\].
const MOST_BEFORE: usize = 60;

/// What was unlike the player's own usual in the last session: against as many sessions before it as tell it, five at
/// least.
#[must_use]
pub fn unusual(played: &[Played]) -> Vec<Unusual> {
    let sessions = sessions(played);
    let asked: Vec<What> = std::iter::once(What::Clarity).chain(FaultName::ALL.map(What::Fault)).collect();
    let recent = &sessions[sessions.len().saturating_sub(MOST_BEFORE + 1)..];
    let sums: Vec<Sums> = recent.iter().map(|session| Sums::of(session, &asked)).collect();
    let of = |what: What| {
        let (last, before) = sums.split_last()?;
        let value = last.figure(&asked, what)?;
        let before: Vec<f64> = before.iter().filter_map(|sums| sums.figure(&asked, what)).collect();
        if before.len() < MIN_VALUES {
            return None;
        }
        let n = before.len() as f64;
        let spread = (statistics::variance(&before)? * (1.0 + 1.0 / n)).sqrt();
        let usual = mean(&before)?;
        (spread > 0.0).then(|| Unusual {
            what,
            value,
            usual,
            range: spread * statistics::t_at_95(n - 1.0),
            chance: two_sided_t((value - usual) / spread, n - 1.0),
        })
    };
    let mut all: Vec<Unusual> = asked.iter().filter_map(|&what| of(what)).collect();
    let chances = statistics::holm(&all.iter().map(|u| u.chance).collect::<Vec<_>>());
    all.iter_mut().zip(chances).for_each(|(unusual, chance)| unusual.chance = chance);
    all.retain(|unusual| unusual.chance < statistics::LEVEL);
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, logged, played, with};
    use crate::log::heard::Room;
    use crate::log::{LoggedTake, words};

    /// A session of forty notes of this mean clarity, the quiet between them so far under the loud notes.
    fn session(day: i64, clarity: f64, floor_db: f64) -> Played {
        let mut dice = fastrand::Rng::with_seed(day as u64);
        let mut off = |size: f64| size * (dice.f64() - 0.5);
        let notes: Vec<_> =
            (0..40).map(|i| with(clear(i, 58, 1.0 + i as f64), |e| e.verdict.clarity = clarity + off(10.0))).collect();
        let room = Room { floor_db: floor_db + off(1.0), floor_tilt_db: None, tone_tilt_db: Some(-7.0 + off(0.2)) };
        played(LoggedTake { room: Some(room), loud_db: Some(-15.0), ..logged(day, 60.0) }, notes)
    }

    /// Three weeks of sessions, of a clarity and over a quiet that follow the day.
    fn weeks(clarity: impl Fn(f64) -> f64, floor_db: impl Fn(f64) -> f64) -> Progress {
        let days = (0..21).map(|day| (day, day as f64 / 20.0));
        Progress::of(&days.map(|(day, share)| session(day, clarity(share), floor_db(share))).collect::<Vec<_>>())
    }

    #[test]
    fn another_microphone_is_warned_of_and_no_progress_of_the_player() {
        // In the last third another microphone hears the room 12 dB louder; the playing seems a little clearer.
        let moved = |share: f64| if share > 0.66 { -48.0 } else { -60.0 };
        let progress = weeks(|share| if share > 0.66 { 82.0 } else { 80.0 }, moved);
        let room = progress.room.expect("it changed more than the player did");
        assert!((room.floor_db - 12.0).abs() < 1.0 && room.tilt_db.abs() < 0.5, "{room:?}");
        let said = words::progress(&progress, 200);
        assert!(said.contains("Take care: room or microphone changed more"), "{said}");
        // The change is more than chance makes, and is claimed of nobody.
        assert!(progress.lines[0].chance < statistics::LEVEL, "{:?}", progress.lines[0]);
        assert_eq!(progress.course(&progress.lines[0]), Course::PlayerOrRoom);
        assert!(said.contains("changed, not told apart from the room"), "{said}");
        assert!(!said.contains("better") && !said.contains("worse"), "{said}");
    }

    #[test]
    fn a_player_who_gets_better_in_the_same_room_is_not_doubted() {
        let progress = weeks(|share| 70.0 + 20.0 * share, |_| -60.0);
        assert_eq!((progress.room, progress.course(&progress.lines[0])), (None, Course::Better));
        assert!(progress.lines[0].chance < statistics::LEVEL && progress.lines[0].per_week > 5.0);
        // Nor where the room changed too, but less than the player: 9 dB, and to and fro by 4 each day.
        let restless = |share: f64| -60.0 + 9.0 * share + if (share * 20.0) as i64 % 2 == 0 { 4.0 } else { -4.0 };
        assert_eq!(weeks(|share| 70.0 + 20.0 * share, restless).room, None);
    }
}
