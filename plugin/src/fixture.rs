//! Made-up entrances and passes with known measures, for tests and for pictures of the views.

use crate::beats::Bend;
use crate::packed;
use crate::passes::{Origin, Pass};
use crate::timing::Judging;
use crate::transport::TransportView;
use notefront_dsp::entrance::{FRONT_POINTS, InstantUncertainty, Smear, Split, Stutter};
use notefront_dsp::{
    Articulation, CannotTell, Entrance, Evidence, Fault, FaultName, Faults, Front, FrontPicture, Measure, Positions,
    SlidePosition, Verdict, units,
};
use notefront_takes::corrections::{By, What};
use serde_json::Value;

/// Says of a pass of fifteen entrances or more everything that can be said, and takes the last back; false where it could not
/// be taken back.
pub fn say_everything(pass: &mut Pass, judging: &Judging) -> bool {
    let at = |place: usize| pass.entrances[place].front.speaks_s;
    let all = [
        (at(1), What::Fine { reason: Some("it is meant so".into()) }),
        (at(2), What::Unclear { fault: Some(FaultName::Airy) }),
        (at(3), What::Unclear { fault: None }),
        (at(4), What::Moved { to_s: at(4) + 0.07 }),
        (at(5) + 0.4, What::Added { midi_note: Some(53) }),
        (at(7), What::Removed),
        (at(8), What::Split { second_s: at(8) + 0.3 }),
        (at(10), What::Joined),
        (at(12), What::Note { midi_note: 58 }),
        (at(14), What::Removed),
    ];
    let ids: Vec<_> = all.into_iter().filter_map(|(at_s, what)| pass.say(By::Insert, at_s, what, judging)).collect();
    ids.len() == 10 && pass.undo(&ids[9], judging)
}

/// A WAV of 16 bits in one channel, whose header promises so many samples.
#[must_use]
pub fn wav(rate_hz: u32, samples: &[i16], num_promised: u32) -> Vec<u8> {
    let size = 2 * num_promised;
    let header: [&[u8]; 7] = [
        b"RIFF",
        &(36 + size).to_le_bytes(),
        b"WAVEfmt \x10\0\0\0\x01\0\x01\0",
        &rate_hz.to_le_bytes(),
        &(2 * rate_hz).to_le_bytes(),
        b"\x02\0\x10\0data",
        &size.to_le_bytes(),
    ];
    header.concat().into_iter().chain(samples.iter().flat_map(|sample| sample.to_le_bytes())).collect()
}

fn told(value: f64, uncertainty: f64) -> notefront_dsp::Told {
    Ok(Measure { value, uncertainty })
}

/// A clear attack of a note that speaks at `speaks_s`.
#[must_use]
pub fn clear(index: usize, speaks_s: f64, midi: u8) -> Entrance {
    let mut positions = Positions::default();
    positions.push(SlidePosition { position: 1.0, trigger: false, partial: 2 });
    let front = Front {
        index,
        sound_start_s: speaks_s - 0.003,
        onset_s: speaks_s - 0.003,
        speaks_s,
        instant_uncertainty: InstantUncertainty { sound_start_ms: 3.0, onset_ms: 2.0, speaks_ms: 2.0 },
        end_s: Some(speaks_s + 0.7),
        midi_note: Some(midi),
        settled_hz: told(units::midi_to_hz(f64::from(midi), 440.0), 0.05),
        tuning_cents: told(-2.9, 0.7),
        partial: Some(2),
        positions,
        articulation: Articulation::Tongued,
        noise_before_tone_ms: told(0.0, 4.0),
        noise_before_tone_db: Err(CannotTell::NoAir),
        approach_cents: told(-2.0, 2.0),
        onset_cents: told(-4.0, 4.0),
        speak_ms: told(3.0, 2.0),
        settle_ms: told(0.0, 6.0),
        attack_ms: told(24.0, 2.0),
        log_attack_time: told(-1.6, 0.05),
        growth_db_per_s: told(520.0, 30.0),
        overshoot_db: told(0.5, 1.5),
        level_db: -14.0 - f64::from((index as u32 * 7) % 9),
        evidence: Evidence::default(),
        picture: FrontPicture::empty(),
    };
    let verdict = Verdict { timing_ms: Err(CannotTell::NoGrid), faults: Faults::default(), clarity: 96.0 };
    let mut entrance = Entrance { front, verdict };
    entrance.front.picture = picture(&entrance);
    entrance
}

/// The entrance with one fault of this severity, and the measures that go with it.
#[must_use]
pub fn with_fault(mut entrance: Entrance, name: FaultName, severity: f64) -> Entrance {
    entrance.verdict.faults.insert(Fault { name, severity, sureness: 0.9 });
    entrance.verdict.clarity = (entrance.verdict.clarity - 55.0 * severity).max(0.0);
    match name {
        FaultName::Airy => {
            let air_ms = 30.0 + 100.0 * severity;
            entrance.front.sound_start_s = entrance.front.onset_s - air_ms / 1e3;
            entrance.front.noise_before_tone_ms = told(air_ms, 5.0);
            entrance.front.noise_before_tone_db = told(-28.0 + 14.0 * severity, 2.0);
        }
        FaultName::Below | FaultName::Above => {
            let sign = if name == FaultName::Below { -1.0 } else { 1.0 };
            entrance.front.approach_cents = told(sign * (28.0 + 30.0 * severity), 3.0);
            entrance.front.onset_cents = told(sign * (40.0 + 60.0 * severity), 4.0);
            entrance.front.settle_ms = told(90.0 + 80.0 * severity, 7.0);
        }
        FaultName::Slow => {
            entrance.front.speak_ms = told(46.0 + 40.0 * severity, 4.0);
            entrance.front.attack_ms = told(90.0 + 100.0 * severity, 8.0);
        }
        FaultName::Split => {
            entrance.front.evidence.split = Some(Split { interval_cents: -702.0, duration_ms: 45.0 });
            entrance.front.onset_cents = told(-702.0, 8.0);
            entrance.front.settle_ms = told(48.0, 6.0);
        }
        FaultName::Smear => {
            entrance.front.evidence.smear =
                Some(Smear { rate_cents_per_s: 1200.0, depth_cents: -90.0, duration_ms: 80.0, probability: 1.0 });
            entrance.front.onset_cents = told(-90.0, 5.0);
            entrance.front.settle_ms = told(80.0, 6.0);
        }
        FaultName::Stutter => entrance.front.evidence.stutter = Some(Stutter { gap_ms: 85.0, dip_db: 11.0 }),
        FaultName::Hard => entrance.front.overshoot_db = told(6.0 + 6.0 * severity, 1.5),
        FaultName::HeldBreath => entrance.front.evidence.held_breath_ms = Some(200.0 + 300.0 * severity),
        FaultName::Early | FaultName::Late => {}
    }
    entrance.front.picture = picture(&entrance);
    entrance
}

/// An entrance with something changed.
#[cfg(test)]
pub fn with(mut entrance: Entrance, change: impl FnOnce(&mut Entrance)) -> Entrance {
    change(&mut entrance);
    entrance
}

fn value(told: notefront_dsp::Told) -> f64 {
    told.map_or(0.0, |m| m.value)
}

/// A front drawn from the measures: an exponential approach, a straight rise, air of one level.
fn picture(entrance: &Entrance) -> FrontPicture {
    let mut picture = FrontPicture::empty();
    let (cents, settle) = (value(entrance.front.onset_cents), value(entrance.front.settle_ms).max(1.0));
    let attack = value(entrance.front.attack_ms).max(5.0);
    let air_ms = value(entrance.front.noise_before_tone_ms);
    let air_db = entrance.front.noise_before_tone_db.map_or(-60.0, |m| m.value);
    // Leaves the +-10 cents band at `settle`.
    let rate = if cents.abs() > 10.0 { (cents.abs() / 10.0).ln() / settle } else { 0.02 };
    for i in 0..FRONT_POINTS {
        let t = FrontPicture::time_ms(i);
        let in_air = t >= -air_ms && t < 0.0;
        picture.noise_db[i] = if in_air { air_db as f32 } else { -48.0 };
        if t < 0.0 {
            continue;
        }
        picture.tone_db[i] = ((-20.0 + 20.0 * t / attack).min(0.0) + stutter_dip(entrance, t)) as f32;
        picture.pitch_cents[i] = match entrance.front.evidence {
            Evidence { split: Some(split), .. } if t < split.duration_ms => split.interval_cents as f32,
            Evidence { split: Some(_), .. } => 0.0,
            Evidence { smear: Some(smear), .. } => (smear.depth_cents * (1.0 - t / smear.duration_ms).max(0.0)) as f32,
            _ => (cents * (-rate * t).exp()) as f32,
        };
    }
    picture
}

fn stutter_dip(entrance: &Entrance, t: f64) -> f64 {
    match entrance.front.evidence.stutter {
        Some(s) if (t - s.gap_ms * 0.6).abs() < 16.0 => -s.dip_db,
        _ => 0.0,
    }
}

/// A pass at 60 quarter notes a minute from beat 0, with clear attacks that speak at these seconds.
#[must_use]
pub fn pass_at_60(speaks_s: &[f64]) -> Pass {
    let transport = TransportView { playing: true, pos_samples: Some(0), ..TransportView::default() };
    let mut pass = Pass::begin(Origin::Played, 48_000.0, &transport);
    pass.beats.push(Bend {
        at_s: 0.0,
        beats: 0.0,
        tempo_bpm: 60.0,
        bar_beats: 4.0,
        bar_start_beats: 0.0,
        beat_beats: 1.0,
    });
    pass.entrances = speaks_s.iter().enumerate().map(|(i, s)| clear(i, *s, 46 + (i % 12) as u8)).collect();
    pass.duration_s = speaks_s.last().map_or(0.0, |s| s + 2.0);
    pass.id = 1;
    pass.live = false;
    draw_outline(&mut pass);
    pass
}

/// A pass of `num` entrances, one a second, with every fault in turn among clear attacks; `seed` varies it.
#[must_use]
pub fn mixed_pass(num: usize, seed: u32) -> Pass {
    let mut random = seed.wrapping_mul(2_654_435_761) | 1;
    let mut next = move || {
        // xorshift32: even enough for a fixture.
        random ^= random << 13;
        random ^= random >> 17;
        random ^= random << 5;
        f64::from(random) / f64::from(u32::MAX)
    };
    let speaks: Vec<f64> = (0..num).map(|i| 1.0 + i as f64 + 0.05 * (next() - 0.5)).collect();
    let mut pass = pass_at_60(&speaks);
    for entrance in &mut pass.entrances {
        if next() < 0.55 {
            continue;
        }
        let fault = FaultName::ALL[(next() * 8.0) as usize % 8];
        *entrance = with_fault(*entrance, fault, next());
        if next() < 0.25 {
            *entrance = with_fault(*entrance, FaultName::Airy, next());
        }
    }
    pass
}

/// Entrances whose measures have no two digits alike, as measured ones: they compress as badly.
#[must_use]
pub fn scattered(num: usize) -> Pass {
    let mut pass = mixed_pass(num, 7);
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

/// A project as it is written, with its passes lying open as version 2 wrote them.
///
/// # Panics
/// Where it is none.
#[must_use]
pub fn laid_open(written: &Value) -> Value {
    let open = |text: &Value| -> Value {
        let text = text.as_str().and_then(|text| packed::unpack(text, packed::MAX_UNPACKED)).expect("our own letters");
        serde_json::from_slice(&text).expect("our own text")
    };
    let pass = |packed: &Value| {
        let (mut pass, mut entrances) = (open(&packed["head"]), Vec::new());
        for (part, pictures) in
            packed["parts"].as_array().into_iter().flatten().zip(packed["pictures"].as_array().into_iter().flatten())
        {
            let from = entrances.len();
            entrances.extend(open(part).as_array().expect("entrances").iter().cloned());
            if pictures.is_null() {
                continue;
            }
            for picture in open(pictures).as_array().expect("pictures") {
                let place = picture[0].as_u64().expect("a place") as usize;
                entrances[from + place]["picture"] = picture[1].clone();
            }
        }
        pass["entrances"] = Value::Array(entrances);
        pass
    };
    let mut value = written.clone();
    value["passes"] = value["packed"].as_array().expect("passes").iter().map(pass).collect();
    value.as_object_mut().expect("fields").remove("packed");
    value
}

/// Sixteen beats with every fault of the lane in its place: what the pictures in the documents show.
#[must_use]
pub fn showcase(seed: u32) -> Pass {
    use FaultName::{Above, Airy, Below, Early, Hard, HeldBreath, Late, Slow, Smear, Split, Stutter};
    let faults: [&[FaultName]; 16] = [
        &[],
        &[Airy],
        &[Below],
        &[],
        &[Split],
        &[Late],
        &[],
        &[Above, Airy],
        &[Stutter],
        &[],
        &[Smear],
        &[Early],
        &[Slow],
        &[Hard],
        &[Airy, Below, Late],
        &[HeldBreath],
    ];
    let mut speaks: Vec<f64> = (0..16).map(|i| f64::from(i) + 0.004).collect();
    (speaks[5], speaks[11], speaks[14]) = (5.075, 10.93, 14.06);
    let mut pass = pass_at_60(&speaks);
    for (i, entrance) in pass.entrances.iter_mut().enumerate() {
        let beat = i as f64;
        entrance.verdict.timing_ms = told((entrance.front.speaks_s - beat) * 1e3, 2.0);
        // Another seed is another try: every third fault is gone, and every fourth entrance has a new one.
        let is_gone = seed > 0 && i % 3 == 1;
        let is_new = seed > 0 && i % 4 == 3;
        let these = if is_new { faults[(i + 6) % 16] } else { faults[i] };
        for (k, name) in these.iter().filter(|_| !is_gone).enumerate() {
            let severity = 0.35 + 0.2 * ((i + k) % 4) as f64;
            *entrance = with_fault(*entrance, *name, severity);
        }
    }
    draw_outline(&mut pass);
    pass
}

fn draw_outline(pass: &mut Pass) {
    let num_points = (pass.duration_s * crate::wave::POINTS_PER_S) as usize;
    let mut points = vec![20u8; num_points];
    for entrance in &pass.entrances {
        let height = 255.0 * crate::wave::db_to_height(entrance.front.level_db);
        let from = (entrance.front.onset_s * 100.0).max(0.0) as usize;
        let len = 70usize;
        for (i, point) in points.iter_mut().skip(from).take(len).enumerate() {
            let rise = ((i + 1) as f32 / 4.0).min(1.0);
            let fall = ((len - i) as f32 / 12.0).min(1.0);
            *point = (height * rise * fall).max(20.0) as u8;
        }
    }
    pass.wave = crate::wave::Wave::from_points(points, crate::wave::POINTS_PER_S);
}
