//! Passes in the host's project: what is written, and how much of anything is read back.
//!
//! Written as compressed JSON within [`MAX_BYTES`]; whole passes are left out, the oldest unkept first, and counted.
//! The newest is never the one to go.
//! Read leniently: every pass and every entrance on its own, so that one damaged part costs only itself.

use crate::beats::BeatMap;
use crate::bounds;
use crate::fronts;
use crate::older_state;
use crate::packed;
use crate::passes::{MAX_ENTRANCES, Origin, Pass, PassId};
use crate::session::{Session, SharedSession};
use crate::wave::Wave;
use nice_plug::params::persist::PersistentField;
use nice_plug::prelude::PluginState;
use notefront_dsp::Entrance;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Value, json};

/// Version of the layout; it rises when a field changes meaning.
pub const VERSION: u64 = 3;
/// Most that is written, bytes. Hosts keep state in the project file and copy it on every undo step.
pub const MAX_BYTES: usize = 8_000_000;
/// Most that is looked at when a project is opened, bytes: what was written never comes near it.
const MAX_READ: usize = 2 * MAX_BYTES;
/// Most text that is packed, bytes: 20 000 entrances are 26 MB.
const MAX_TEXT: usize = 30_000_000;
/// From this many entrances on the player is told that a project will soon leave passes out.
pub const NEARLY_FULL: usize = 18_000;
/// Points of the outline that are kept of one pass.
const MAX_WAVE_POINTS: usize = 2000;
/// Most passes that are read.
const MAX_PASSES: usize = 1000;
/// Most notices about damage; the rest are the same.
const MAX_NOTICES: usize = 4;

/// What the project keeps of a session.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SavedSession {
    /// The passes, the oldest first.
    pub passes: Vec<Pass>,
    /// The pinned one.
    pub reference: Option<PassId>,
    /// What could not be read, in words.
    pub damage: Vec<String>,
}

impl PersistentField<'_, SavedSession> for SharedSession {
    fn set(&self, saved: SavedSession) {
        self.lock().restore(saved.passes, saved.reference, saved.damage);
        self.request_repaint();
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&SavedSession) -> R,
    {
        // Copied under the lock, written outside it: the worker is held up for a copy only.
        let saved = SavedSession::of(&self.lock());
        f(&saved)
    }
}

impl SavedSession {
    /// What is to be kept of a session.
    #[must_use]
    pub fn of(session: &Session) -> Self {
        Self { passes: session.passes().to_vec(), reference: session.reference, damage: Vec::new() }
    }

    /// The passes as JSON values, with the oldest unkept left out until the rest is `most` bytes of text. Pictures take what is left.
    fn fitting(&self, most: usize) -> (Vec<Value>, usize) {
        let mut passes: Vec<(bool, Value)> =
            self.passes.iter().map(|p| (p.kept || Some(p.id) == self.reference, write_pass(p))).collect();
        let mut sizes: Vec<usize> = passes.iter().map(|(_, value)| value.to_string().len()).collect();
        let mut shown: Vec<&Pass> = self.passes.iter().collect();
        while sizes.iter().sum::<usize>() > most && passes.len() > 1 {
            let older = &passes[..passes.len() - 1];
            let oldest_unkept = older.iter().position(|(kept, _)| !kept).unwrap_or(0);
            passes.remove(oldest_unkept);
            sizes.remove(oldest_unkept);
            shown.remove(oldest_unkept);
        }
        let room = most.saturating_sub(sizes.iter().sum::<usize>());
        for ((_, value), fronts) in passes.iter_mut().zip(fronts::fitting(&shown, room)) {
            add_fronts(value, fronts);
        }
        let num_left_out = self.passes.len() - passes.len();
        (passes.into_iter().map(|(_, value)| value).collect(), num_left_out)
    }
}

impl Serialize for SavedSession {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut most = MAX_TEXT;
        loop {
            let (passes, num_left_out) = self.fitting(most);
            let text = Value::Array(passes).to_string();
            let packed = packed::pack(text.as_bytes()).map_err(serde::ser::Error::custom)?;
            // What compresses badly is tried again with fewer passes; the newest stays, whatever its length.
            if packed.len() > MAX_BYTES && num_left_out + 1 < self.passes.len() {
                most = most.min(text.len()) / 4 * 3;
                continue;
            }
            let (version, reference) = (VERSION, self.reference);
            return json!({
                "version": version,
                "reference": reference,
                "packed": packed,
                "num_left_out": num_left_out,
            })
            .serialize(serializer);
        }
    }
}

impl<'de> Deserialize<'de> for SavedSession {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(read(&Value::deserialize(deserializer)?))
    }
}

/// Puts a readable field in place of one that is no JSON, so that loading goes on and says so.
pub fn mark_damage(state: &mut PluginState) {
    for (key, replacement) in [("session", r#"{"damaged":true}"#), ("looks", "{}"), ("markers_folder", "\"\"")] {
        if let Some(field) = state.fields.get_mut(key)
            && (field.len() > MAX_READ || serde_json::from_str::<serde::de::IgnoredAny>(field).is_err())
        {
            *field = replacement.into();
        }
    }
}

fn write_pass(pass: &Pass) -> Value {
    let (wave, wave_per_s) = pass.wave.thinned(MAX_WAVE_POINTS);
    let entrances: Vec<Value> =
        pass.entrances.iter().filter_map(|e| serde_json::to_value(e).ok()).map(compact).collect();
    json!({
        "id": pass.id,
        "name": pass.name,
        "kept": pass.kept,
        "origin": pass.origin,
        "sample_rate_hz": pass.sample_rate_hz,
        "start_samples": pass.start_samples,
        "beats": pass.beats,
        "duration_s": pass.duration_s,
        "num_lost": pass.num_lost,
        "num_left_out": pass.num_left_out,
        "clipped_at_s": pass.clipped_at_s,
        "wave": wave,
        "wave_per_s": wave_per_s,
        "entrances": entrances,
        "fine": pass.fine.keys().collect::<Vec<_>>(),
    })
}

fn add_fronts(pass: &mut Value, fronts: Vec<Option<Value>>) {
    let entrances = pass.get_mut("entrances").and_then(Value::as_array_mut);
    for (entrance, front) in entrances.into_iter().flatten().zip(fronts) {
        if let (Some(front), Some(fields)) = (front, entrance.as_object_mut()) {
            fields.insert("front".into(), front);
        }
    }
}

/// Rounds every fraction to a millionth, finer than any uncertainty here (instants are in seconds):
/// 17 digits a number would double the project.
fn compact(value: Value) -> Value {
    match value {
        Value::Number(n) if n.is_f64() => {
            let rounded = n.as_f64().map(|f| (f * 1e6).round() / 1e6);
            rounded.and_then(serde_json::Number::from_f64).map_or(Value::Null, Value::Number)
        }
        Value::Array(items) => Value::Array(items.into_iter().map(compact).collect()),
        Value::Object(fields) => Value::Object(fields.into_iter().map(|(k, v)| (k, compact(v))).collect()),
        other => other,
    }
}

/// Reads as much as there is.
#[must_use]
pub fn read(value: &Value) -> SavedSession {
    let mut saved = SavedSession::default();
    let mut damage = Damage::default();
    if value.get("damaged").is_some() || !value.is_object() {
        damage.whole = true;
    }
    if value.get("version").and_then(Value::as_u64).is_some_and(|v| v > VERSION) {
        damage.newer = true;
    }
    let unpacked = unpacked(value, &mut damage);
    let passes = unpacked.as_ref().or(value.get("passes")).and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    for pass in passes.iter().take(MAX_PASSES) {
        match read_pass(pass, &mut damage) {
            Some(pass) if !saved.passes.iter().any(|p| p.id == pass.id) => saved.passes.push(pass),
            _ => damage.num_passes += 1,
        }
    }
    damage.num_passes += passes.len().saturating_sub(MAX_PASSES);
    damage.num_left_out = value.get("num_left_out").and_then(Value::as_u64).unwrap_or(0);
    saved.reference = value.get("reference").and_then(Value::as_u64);
    saved.damage = damage.in_words();
    saved
}

/// The passes of version 3; those of earlier ones lie open.
fn unpacked(value: &Value, damage: &mut Damage) -> Option<Value> {
    let text = value.get("packed")?.as_str().unwrap_or_default();
    let passes = packed::unpack(text).and_then(|bytes| serde_json::from_slice(&bytes).ok());
    damage.whole |= passes.is_none();
    passes
}

fn read_entrance(value: &Value) -> Option<Entrance> {
    let picture = fronts::read(value.get("front"));
    let mut entrance = Entrance::deserialize(older_state::completed(value, &picture)).ok()?;
    entrance.front.picture = picture;
    Some(entrance)
}

fn read_pass(value: &Value, damage: &mut Damage) -> Option<Pass> {
    fn field<T: serde::de::DeserializeOwned>(value: &Value, name: &str) -> Option<T> {
        serde_json::from_value(value.get(name)?.clone()).ok()
    }
    let entrances = value.get("entrances")?.as_array()?;
    let mut read: Vec<Entrance> =
        entrances.iter().filter_map(read_entrance).filter(bounds::is_entrance).take(MAX_ENTRANCES).collect();
    damage.num_entrances += entrances.len() - read.len();
    read.sort_by(|a, b| a.front.speaks_s.total_cmp(&b.front.speaks_s));
    let wave = field::<Vec<u8>>(value, "wave").filter(|w| w.len() <= MAX_WAVE_POINTS).unwrap_or_default();
    let wave_per_s = field(value, "wave_per_s").filter(|r| (1e-3..=1e3).contains(r)).unwrap_or(1.0);
    let mut clipped_at_s = field::<Vec<f64>>(value, "clipped_at_s").unwrap_or_default();
    clipped_at_s.retain(|s| bounds::is_time(*s));
    let beats = field::<BeatMap>(value, "beats").unwrap_or_default();
    let is_odd = !bounds::are_beats(beats.bends());
    damage.num_beats += usize::from(is_odd);
    let fine: Vec<usize> = field(value, "fine").unwrap_or_default();
    let is_fine = |e: &&Entrance| fine.contains(&e.front.index);
    let fine = read.iter().filter(is_fine).map(|e| (e.front.index, e.verdict)).collect();
    let last_s = read.last().map_or(0.0, |e| e.front.speaks_s);
    Some(Pass {
        id: field(value, "id").filter(|id| bounds::is_id(*id))?,
        name: field(value, "name"),
        kept: field(value, "kept").unwrap_or(false),
        origin: field(value, "origin").unwrap_or(Origin::Free),
        sample_rate_hz: field::<f64>(value, "sample_rate_hz").filter(|hz| bounds::is_rate(*hz))?,
        start_samples: field(value, "start_samples").filter(|at| bounds::is_place(*at)),
        beats: if is_odd { BeatMap::default() } else { beats },
        to_beat: None,
        entrances: read,
        fine,
        num_left_out: field(value, "num_left_out").unwrap_or(0),
        duration_s: field(value, "duration_s").filter(|s| bounds::is_time(*s)).unwrap_or(0.0).max(last_s),
        wave: Wave::from_points(wave, wave_per_s),
        num_lost: field(value, "num_lost").unwrap_or(0),
        clipped_at_s,
        live: false,
    })
}

#[derive(Default)]
struct Damage {
    whole: bool,
    newer: bool,
    num_passes: usize,
    num_entrances: usize,
    num_left_out: u64,
    num_beats: usize,
}

impl Damage {
    fn in_words(&self) -> Vec<String> {
        let mut words = Vec::new();
        if self.whole {
            words.push("The passes in this project are damaged and could not be read; settings are as saved.".into());
        }
        if self.newer {
            words.push("This project was saved by a newer Notefront; what this one does not know was left out.".into());
        }
        if self.num_passes > 0 {
            words.push(format!("{} of the passes in this project could not be read.", self.num_passes));
        }
        if self.num_entrances > 0 {
            words.push(format!("{} entrances in this project could not be read.", self.num_entrances));
        }
        if self.num_beats > 0 {
            words.push(format!("The beats of {} passes in this project could not be read: no timing.", self.num_beats));
        }
        if self.num_left_out > 0 {
            words.push(format!("{} old passes did not fit into the project and were left out.", self.num_left_out));
        }
        words.truncate(MAX_NOTICES);
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::FaultName;

    fn session_of(num_passes: usize, num_entrances: usize) -> Session {
        let mut session = Session::default();
        for i in 0..num_passes {
            session.add(fixture::mixed_pass(num_entrances, i as u32 + 1));
        }
        session
    }

    fn round_trip(saved: &SavedSession) -> SavedSession {
        let text = serde_json::to_string(saved).expect("plain data");
        serde_json::from_str(&text).expect("our own text")
    }

    #[test]
    fn what_the_player_calls_fine_stays_so() {
        let mut session = session_of(1, 40);
        let judging = crate::params::NotefrontParams::default().judging();
        let pass = session.pass_mut(1).expect("the first");
        pass.rejudge(&judging);
        let place = pass.entrances.iter().position(Entrance::is_flagged).expect("one of forty");
        pass.say_fine(place, true, &judging);
        let mut value = lying_open(&session);
        let fine = |saved: SavedSession| saved.passes[0].fine.keys().copied().collect::<Vec<_>>();
        assert_eq!(fine(read(&value)), [place]);
        value["passes"][0]["fine"] = json!([place, 4_000_000, "x"]);
        assert!(fine(read(&value)).is_empty(), "what cannot be read is left out");
    }

    /// What is written, with its passes lying open as version 2 wrote them.
    fn lying_open(session: &Session) -> Value {
        let mut value = serde_json::to_value(SavedSession::of(session)).expect("plain data");
        let text = packed::unpack(value["packed"].as_str().expect("letters")).expect("our own letters");
        value["passes"] = serde_json::from_slice(&text).expect("our own text");
        value.as_object_mut().expect("fields").remove("packed");
        value
    }

    /// Entrances whose measures have no two digits alike, as measured ones: they compress as badly.
    fn scattered(num: usize) -> Pass {
        let mut pass = fixture::mixed_pass(num, 7);
        let mut seed = 1_u64;
        let mut roll = move || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 11) as f64 / (1_u64 << 53) as f64
        };
        for e in &mut pass.entrances {
            let f = &mut e.front;
            let told = [&mut f.tuning_cents, &mut f.approach_cents, &mut f.onset_cents, &mut f.speak_ms];
            let more = [&mut f.settle_ms, &mut f.attack_ms, &mut f.log_attack_time, &mut f.overshoot_db];
            for measure in told.into_iter().chain(more).flatten() {
                measure.value += roll();
                measure.uncertainty += roll();
            }
            f.level_db += roll();
        }
        pass
    }

    #[test]
    fn a_long_pass_is_kept_with_the_short_ones_beside_it() {
        // 15 minutes of playing, for which version 2 had no room.
        let mut session = session_of(3, 20);
        session.add(scattered(3_500));
        let back = round_trip(&SavedSession::of(&session));
        assert!(back.damage.is_empty(), "{:?}", back.damage);
        assert_eq!(back.passes.iter().map(|p| p.entrances.len()).collect::<Vec<_>>(), [20, 20, 20, 3_500]);
    }

    #[test]
    fn twenty_thousand_entrances_fit() {
        let mut session = Session::default();
        (0..4).for_each(|_| {
            session.add(scattered(5_000));
        });
        let text = serde_json::to_string(&SavedSession::of(&session)).expect("plain data");
        println!("20 000 entrances: {} bytes", text.len());
        assert!(text.len() < MAX_BYTES + 1000, "{} bytes", text.len());
        assert_eq!(read(&serde_json::from_str(&text).expect("our own text")).passes.len(), 4);
    }

    #[test]
    fn numbers_no_front_can_have_are_dropped_and_said() {
        let whole = lying_open(&session_of(1, 6));
        for (place, number) in [("/passes/0/entrances/2/onset_s", 1e300), ("/passes/0/entrances/2/speaks_s", -1e9)] {
            let mut value = whole.clone();
            // The layout flattens front and verdict into one or keeps them apart: the number is found either way.
            let old = place.replace("entrances/2/", "entrances/2/front/");
            let at = if value.pointer(place).is_some() { place.to_owned() } else { old };
            *value.pointer_mut(&at).expect("it is kept") = json!(number);
            let back = read(&value);
            assert_eq!((back.passes[0].entrances.len(), back.damage.len()), (5, 1), "{place}");
        }
        let mut value = whole;
        value["passes"][0]["beats"]["bends"][0]["tempo_bpm"] = json!(1e-12);
        value["passes"][0]["duration_s"] = json!(1e300);
        let back = read(&value);
        assert!(back.passes[0].beats.is_empty() && back.passes[0].duration_s < 100.0);
        assert!(back.damage.iter().any(|d| d.contains("beats")), "{:?}", back.damage);
    }

    #[test]
    fn passes_pins_and_faults_come_back() {
        let mut session = session_of(3, 40);
        session.reference = Some(2);
        session.pass_mut(3).expect("three were added").name = Some("slow one".into());
        let back = round_trip(&SavedSession::of(&session));
        assert_eq!(back.reference, Some(2));
        assert!(back.damage.is_empty());
        assert_eq!(back.passes.len(), 3);
        assert_eq!(back.passes[2].name.as_deref(), Some("slow one"));
        for (a, b) in session.passes().iter().zip(&back.passes) {
            assert_eq!(a.entrances.len(), b.entrances.len());
            for (x, y) in a.entrances.iter().zip(&b.entrances) {
                // Rounded to a microsecond.
                assert!((x.front.speaks_s - y.front.speaks_s).abs() <= 0.5e-6);
                let names = |e: &Entrance| e.verdict.faults.iter().map(|f| f.name).collect::<Vec<FaultName>>();
                assert_eq!(names(x), names(y));
            }
        }
    }

    #[test]
    fn what_version_1_kept_is_read() {
        let kept: Value = serde_json::from_str(include_str!("../tests/state/version-1.json")).expect("a kept state");
        assert_eq!(kept["version"], 1);
        let back = read(&kept);
        assert!(back.damage.is_empty(), "{:?}", back.damage);
        let entrances = &back.passes[0].entrances;
        assert_eq!(entrances.len(), kept["passes"][0]["entrances"].as_array().map_or(0, Vec::len));
        for entrance in entrances {
            let speak_ms = (entrance.front.speaks_s - entrance.front.onset_s) * 1e3;
            assert!(entrance.front.speak_ms.is_ok_and(|m| (m.value - speak_ms).abs() < 1e-3));
        }
        let of = |name| entrances.iter().find(|e| e.verdict.faults.get(name).is_some()).expect("one of each is kept");
        assert!(of(FaultName::Hard).front.overshoot_db.is_ok_and(|m| m.value > 6.0));
        // A scoop from 82 cents under, settled after 124 ms by an exponential: its mean over 100 ms lies well inside.
        let lean = of(FaultName::Below).front.approach_cents.expect("it has a picture");
        assert!((-60.0..-15.0).contains(&lean.value), "{lean:?}");
        let unseen = entrances.iter().find(|e| !e.is_flagged()).expect("clear ones keep no picture");
        assert_eq!(unseen.front.approach_cents, Err(notefront_dsp::CannotTell::NotMeasured));
    }

    #[test]
    fn what_was_read_is_written_the_same() {
        let once = round_trip(&SavedSession::of(&session_of(2, 10)));
        assert_eq!(serde_json::to_string(&once).ok(), serde_json::to_string(&round_trip(&once)).ok());
    }

    #[test]
    fn the_size_is_bounded_and_what_is_left_out_is_said() {
        let mut session = Session::default();
        (0..6).for_each(|_| {
            session.add(scattered(5_000));
        });
        session.pass_mut(1).expect("six were added").kept = true;
        let text = serde_json::to_string(&SavedSession::of(&session)).expect("plain data");
        assert!(text.len() < MAX_BYTES + 1000, "{} bytes", text.len());
        let back: SavedSession = serde_json::from_str(&text).expect("our own text");
        assert!(back.passes.iter().any(|p| p.id == 1), "the kept pass stays");
        assert!(back.passes.len() < 6);
        assert!(back.damage.iter().any(|d| d.contains("did not fit")));
    }

    #[test]
    fn one_damaged_part_costs_only_itself() {
        let mut value = lying_open(&session_of(2, 5));
        value["passes"][0]["entrances"][2] = json!("nonsense");
        value["passes"][1]["id"] = json!(-4);
        let back = read(&value);
        assert_eq!(back.passes.len(), 1);
        assert_eq!(back.passes[0].entrances.len(), 4);
        assert_eq!(back.damage.len(), 2);
    }

    #[test]
    fn garbage_reads_as_nothing_and_says_so() {
        for garbage in [json!(null), json!(7), json!([1, 2]), json!("x"), json!({"damaged": true})] {
            let back = read(&garbage);
            assert!(back.passes.is_empty());
            assert_eq!(back.damage.len(), 1, "{garbage}");
        }
        assert!(read(&json!({"version": 99, "passes": []})).damage[0].contains("newer"));
        assert!(read(&json!({})).damage.is_empty());
    }
}
