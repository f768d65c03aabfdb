//! Passes in the host's project: what is written, and how much of anything is read back.
//!
//! Every pass is written as pieces of compressed JSON, all within [`MAX_BYTES`]; whole passes are left out, the oldest unkept
//! first, and counted. The newest is never the one to go.
//! Read leniently (`read`): every piece and every entrance on its own, so that one damaged part costs only itself.

mod pieces;

mod ahead;
mod part;
mod read;

pub use ahead::{Keeper, Kept};
pub use read::read;

use crate::passes::{Pass, PassId};
use crate::session::{Session, SharedSession};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Version of the layout; it rises when a field changes meaning.
pub const VERSION: u64 = 6;
/// Most that is written, bytes. Hosts keep state in the project file and copy it on every undo step.
pub const MAX_BYTES: usize = 8_000_000;
/// Most that is looked at when a project is opened, bytes: what was written never comes near it.
const MAX_READ: usize = 2 * MAX_BYTES;

/// What the project keeps of a session.
#[derive(Debug, Clone, Default)]
pub struct SavedSession {
    /// The passes, the oldest first.
    pub passes: Vec<Pass>,
    /// The pinned one.
    pub reference: Option<PassId>,
    /// What could not be read, in words.
    pub damage: Vec<String>,
}

/// Puts what was kept into a session that is shared.
fn take_in(session: &SharedSession, saved: SavedSession) {
    session.lock().restore(saved.passes, saved.reference, saved.damage);
    session.request_repaint();
}

impl SavedSession {
    /// What is to be kept of a session.
    #[must_use]
    pub fn of(session: &Session) -> Self {
        Self { passes: session.passes().to_vec(), reference: session.reference, damage: Vec::new() }
    }
}

/// Whether a pass makes no room for others.
fn stays(pass: &Pass, reference: Option<PassId>) -> bool {
    pass.kept || Some(pass.id) == reference
}

/// A pass in pieces, each a text.
#[derive(Debug, Clone, Serialize)]
pub struct PackedPass {
    #[serde(serialize_with = "as_text")]
    head: Arc<str>,
    #[serde(serialize_with = "as_texts")]
    parts: Vec<Arc<str>>,
    /// Beside each part.
    #[serde(serialize_with = "as_some_texts")]
    pictures: Vec<Option<Arc<str>>>,
}

impl PackedPass {
    fn num_bytes(&self) -> usize {
        let pictures = self.pictures.iter().flatten();
        std::iter::once(&self.head).chain(&self.parts).chain(pictures).map(|text| text.len()).sum()
    }
}

/// What a project holds: all passes, the oldest first, but for the oldest unkept ones that do not fit.
#[derive(Serialize)]
struct Written {
    version: u64,
    reference: Option<PassId>,
    packed: Vec<PackedPass>,
    num_left_out: usize,
}

fn as_text<S: Serializer>(text: &str, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(text)
}

fn as_texts<S: Serializer>(texts: &[Arc<str>], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(texts.iter().map(|text| &**text))
}

fn as_some_texts<S: Serializer>(texts: &[Option<Arc<str>>], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(texts.iter().map(Option::as_deref))
}

impl Written {
    fn of(mut packed: Vec<(bool, PackedPass)>, reference: Option<PassId>) -> Self {
        let num = packed.len();
        while packed.iter().map(|(_, pass)| pass.num_bytes()).sum::<usize>() > MAX_BYTES && packed.len() > 1 {
            let older = &packed[..packed.len() - 1];
            packed.remove(older.iter().position(|(kept, _)| !kept).unwrap_or(0));
        }
        let num_left_out = num - packed.len();
        let packed = packed.into_iter().map(|(_, pass)| pass).collect();
        Self { version: VERSION, reference, packed, num_left_out }
    }
}

impl Serialize for SavedSession {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let packed = ahead::packed_now(&self.passes, self.reference).map_err(serde::ser::Error::custom)?;
        Written::of(packed, self.reference).serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for SavedSession {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(read::with_texts(Value::deserialize(deserializer)?).0)
    }
}

/// Puts a readable field in place of one that is no JSON, so that loading goes on and says so.
pub fn mark_damage(fields: &mut BTreeMap<String, String>) {
    for (key, replacement) in
        [("session", r#"{"damaged":true}"#), ("looks", "{}"), ("markers_folder", "\"\""), ("lines", "\"\"")]
    {
        if let Some(field) = fields.get_mut(key)
            && (field.len() > MAX_READ || serde_json::from_str::<serde::de::IgnoredAny>(field).is_err())
        {
            *field = replacement.into();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::pieces::{PART_LEN, rounded};
    use super::*;
    use crate::fixture::{self, scattered};
    use crate::packed;
    use notefront_dsp::{Entrance, FaultName};
    use serde_json::json;

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

    /// Two passes of which everything that can be said is said.
    fn corrected() -> Session {
        let judging = crate::choices::Choices::default().judging();
        let mut session = session_of(2, 40);
        session.rejudge(&judging);
        let pass = session.pass_mut(1).expect("the first");
        assert!(fixture::say_everything(pass, &judging));
        session
    }

    #[test]
    fn what_the_player_said_is_kept_with_what_was_measured_and_undone_afterwards() {
        let judging = crate::choices::Choices::default().judging();
        let session = corrected();
        let again = |session: &SavedSession| {
            let mut back = round_trip(session);
            assert!(back.damage.is_empty(), "{:?}", back.damage);
            back.passes.iter_mut().for_each(|pass| pass.rejudge(&judging));
            back
        };
        let once = again(&SavedSession::of(&session));
        for (before, after) in session.passes().iter().zip(&once.passes) {
            assert_eq!(before.corrections, after.corrections);
            let told = |pass: &Pass| {
                // Rounded to a microsecond.
                let at_us = |e: &Entrance| (e.front.speaks_s * 1e6).round();
                let faults = |e: &Entrance| e.verdict.faults.iter().map(|f| f.name).collect::<Vec<_>>();
                pass.entrances.iter().map(|e| (at_us(e), e.front.midi_note, faults(e))).collect::<Vec<_>>()
            };
            assert_eq!(told(before), told(after));
            assert_eq!(before.measured().len(), after.measured().len());
        }
        // From then on to the last digit, and what was measured after everything is undone.
        let told = |all: &[Entrance]| all.iter().map(|e| json!([e.front, e.verdict]).to_string()).collect::<Vec<_>>();
        for (before, mut after) in once.passes.iter().zip(again(&once).passes) {
            assert!(told(&before.entrances) == told(&after.entrances));
            assert!(told(&before.measured()) == told(&after.measured()));
            after.said().iter().for_each(|said| assert!(after.undo(&said.id, &judging)));
            assert!(told(&after.entrances) == told(&before.measured()));
        }
    }

    #[test]
    fn what_version_4_called_fine_is_read_as_a_correction() {
        let judging = crate::choices::Choices::default().judging();
        let mut session = session_of(1, 40);
        session.rejudge(&judging);
        let place = session.passes()[0].entrances.iter().position(Entrance::is_flagged).expect("one of forty");
        let mut value = lying_open(&session);
        value["version"] = json!(4);
        for fine in [json!([place]), json!([place, 4_000_000])] {
            let fields = value["passes"][0].as_object_mut().expect("fields");
            fields.remove("corrections");
            fields.insert("fine".into(), fine);
            let mut pass = read(&value).passes.remove(0);
            pass.rejudge(&judging);
            assert_eq!(pass.said().len(), 1);
            assert!(!pass.entrances[place].is_flagged() && pass.measured()[place].is_flagged());
        }
        value["passes"][0]["fine"] = json!([place, "x"]);
        assert!(read(&value).passes[0].said().is_empty(), "what cannot be read is left out");
    }

    #[test]
    fn what_was_said_and_cannot_be_is_left_out_and_told() {
        let whole = lying_open(&corrected());
        assert_eq!(read(&whole).passes[0].corrections.corrections.len(), 10);
        for (name, odd) in [("at_s", json!(1e300)), ("to_s", json!(-1e9)), ("id", json!("x".repeat(1_000_000)))] {
            let mut value = whole.clone();
            value["passes"][0]["corrections"]["corrections"][3][name] = odd;
            let back = read(&value);
            assert_eq!((back.passes[0].corrections.corrections.len(), back.damage.len()), (9, 1), "{name}");
        }
        let mut value = whole.clone();
        value["passes"][0]["corrections"]["corrections"][3]["id"] =
            whole["passes"][0]["corrections"]["corrections"][4]["id"].clone();
        assert_eq!(
            read(&value).passes[0].corrections.corrections.len(),
            9,
            "two of one id cannot be taken back one by one"
        );
        let mut value = whole;
        value["passes"][0]["corrections"]["sound"]["rises"] = json!([[1e300, 2.0]]);
        let back = read(&value);
        assert!(back.passes[0].corrections.sound.rises.is_empty() && back.damage.len() == 1);
        value["passes"][0]["corrections"] = json!(7);
        let back = read(&value);
        assert!(back.passes[0].said().is_empty() && back.damage.len() == 1);
    }

    /// What is written, with its passes lying open as version 2 wrote them.
    fn lying_open(session: &Session) -> Value {
        let value = serde_json::to_value(SavedSession::of(session)).expect("plain data");
        fixture::laid_open(&value)
    }

    #[test]
    fn what_version_3_packed_into_one_text_is_read() {
        let session = session_of(3, 8);
        let mut value = lying_open(&session);
        for (i, pass) in session.passes().iter().enumerate() {
            // Front and verdict lay flat beside each other.
            let flat =
                |e: &Entrance| serde_json::from_slice::<Value>(&rounded(e).expect("memory")).expect("our own text");
            value["passes"][i]["entrances"] = pass.entrances.iter().map(flat).collect();
        }
        let packed = packed::pack(value["passes"].to_string().as_bytes()).expect("memory");
        value.as_object_mut().expect("fields").remove("passes");
        value["packed"] = json!(packed);
        let back = read(&value);
        assert_eq!((back.passes.len(), back.damage.len()), (3, 0));
        let fronts = |saved: &SavedSession| {
            let all = saved.passes.iter().flat_map(|p| &p.entrances);
            all.map(|e| json!([e.front, e.verdict]).to_string()).collect::<Vec<_>>()
        };
        assert_eq!(fronts(&back), fronts(&round_trip(&SavedSession::of(&session))));
        value["packed"] = json!(packed[..packed.len() / 2].to_owned());
        let back = read(&value);
        assert_eq!((back.passes.len(), back.damage.len()), (0, 1));
    }

    #[test]
    fn a_damaged_pass_leaves_the_others_whole() {
        let mut value = serde_json::to_value(SavedSession::of(&session_of(3, 8))).expect("plain data");
        let text = value["packed"][1]["head"].as_str().expect("letters").to_owned();
        value["packed"][1]["head"] = json!(text[..text.len() / 2].to_owned());
        let back = read(&value);
        assert_eq!(back.passes.iter().map(|p| p.id).collect::<Vec<_>>(), [1, 3]);
        assert_eq!(back.damage.len(), 1);
    }

    #[test]
    fn a_damaged_part_costs_its_entrances_and_damaged_pictures_only_themselves() {
        let whole = serde_json::to_value(SavedSession::of(&session_of(1, 2 * PART_LEN))).expect("plain data");
        for (name, num_left) in [("parts", PART_LEN), ("pictures", 2 * PART_LEN)] {
            let mut value = whole.clone();
            value["packed"][0][name][0] = json!("x");
            let back = read(&value);
            assert_eq!((back.passes[0].entrances.len(), back.damage.len()), (num_left, 1), "{name}");
        }
    }

    #[test]
    fn what_versions_4_and_5_packed_into_a_text_a_pass_is_read() {
        let mut value = lying_open(&corrected());
        let passes: Vec<Value> = value["passes"].as_array().expect("passes").clone();
        let pack = |pass: &Value| json!(packed::pack(pass.to_string().as_bytes()).expect("memory"));
        let whole = read(&value);
        (value["packed"], value["version"]) = (passes.iter().map(pack).collect(), json!(5));
        let back = read(&value);
        assert!(back.damage.is_empty() && format!("{back:?}") == format!("{whole:?}"));
        value["packed"][1] = json!("x");
        assert_eq!((read(&value).passes.len(), read(&value).damage.len()), (1, 1));
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
        for (name, number) in [("onset_s", 1e300), ("speaks_s", -1e9)] {
            let mut value = whole.clone();
            value["passes"][0]["entrances"][2]["measured"][name] = json!(number);
            let back = read(&value);
            assert_eq!((back.passes[0].entrances.len(), back.damage.len()), (5, 1), "{name}");
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
        let passes = (1..=6).map(|id| Pass { id, kept: id == 1, ..scattered(5_000) }).collect();
        let saved = SavedSession { passes, ..SavedSession::default() };
        let text = serde_json::to_string(&saved).expect("plain data");
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
