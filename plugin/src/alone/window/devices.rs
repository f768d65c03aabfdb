//! The sound card of the window: what is opened, what becomes of it, and the delay that was measured on it.

use super::{AGAIN_AFTER, Alone, delay_in_words};
use crate::alone::cards::{Card, Cards};
use crate::alone::memory::Delay;
use crate::alone::round_trip::{NotFound, RoundTrip};
use crate::alone::sound::Sound;
use std::sync::atomic::Ordering;
use std::time::Instant;

impl Alone {
    pub(super) fn look_for_cards(&mut self) {
        self.cards = Cards::now();
        let names = |cards: &[Card]| cards.iter().map(|c| c.name.clone()).collect::<Vec<_>>();
        self.names = (names(&self.cards.inputs), names(&self.cards.outputs));
    }

    /// Opens the input that was asked for, or else the one of the last time, or the first that can be opened.
    pub(super) fn open_first(&mut self, asked: Option<usize>, last: Option<usize>) {
        let any_output = self.chosen.1.or((!self.cards.outputs.is_empty()).then_some(0));
        for place in
            last.into_iter().filter(|_| asked.is_none()).chain(asked.map_or(0..self.cards.inputs.len(), |i| i..i + 1))
        {
            if self.open(place, any_output) {
                return;
            }
        }
        if let Some(output) = any_output {
            self.open_output(output);
        }
    }

    /// An output alone, to listen to takes on.
    pub(super) fn open_output(&mut self, output: usize) {
        self.close();
        let Some(card) = self.cards.outputs.get(output) else { return };
        match Sound::open_output(card, &self.parts) {
            Ok(mut sound) => {
                self.chosen.1 = Some(output);
                self.listener.play_on(sound.take_player());
                self.sound = Some(sound);
            }
            Err(why) => self.notices.push(why),
        }
    }

    /// Whatever is open is closed.
    pub(super) fn close(&mut self) {
        self.listener.play_on(None);
        self.sound = None;
        self.chosen = (None, None);
    }

    pub(super) fn open(&mut self, input: usize, output: Option<usize>) -> bool {
        self.notices.clear();
        self.close();
        let Some(card) = self.cards.inputs.get(input) else { return false };
        match Sound::open(card, output.and_then(|o| self.cards.outputs.get(o)), &self.parts) {
            Ok((mut sound, why)) => {
                self.listener.play_on(sound.take_player());
                self.chosen = (Some(input), output.filter(|_| sound.has_output()));
                self.notices.extend(why);
                self.sound = Some(sound);
                self.heard = (Instant::now(), 0);
                self.remember_round_trip();
                true
            }
            Err(why) => {
                self.notices.push(why);
                false
            }
        }
    }

    /// The delay that was measured on these devices before, if it was.
    pub(super) fn remember_round_trip(&mut self) {
        self.forget_round_trip();
        let Some((input, output, rate_hz)) = self.devices() else { return };
        if let Some(delay) = self.settings.delay_on(&input, output.as_deref(), rate_hz) {
            let said = format!("{}, as measured before", delay_in_words(delay.samples, delay.spread, rate_hz));
            self.set_round_trip(delay.samples, said);
        }
    }

    /// The names of the open devices and the input's rate, Hz.
    pub(super) fn devices(&self) -> Option<(String, Option<String>, f64)> {
        let (input, output) = self.chosen_names();
        Some((input?, output, self.sound.as_ref()?.rate_hz()))
    }

    /// The names of the chosen input and output.
    pub(super) fn chosen_names(&self) -> (Option<String>, Option<String>) {
        let name = |place: Option<usize>, names: &[String]| place.and_then(|i| names.get(i)).cloned();
        (name(self.chosen.0, &self.names.0), name(self.chosen.1, &self.names.1))
    }

    pub(super) fn forget_round_trip(&mut self) {
        self.set_round_trip(0, "delay not measured".into());
    }

    /// The delay in use, samples, and what the panel says of it.
    pub(super) fn set_round_trip(&mut self, samples: i64, said: String) {
        self.parts.controls.round_trip.store(samples, Ordering::Relaxed);
        self.round_trip = said;
    }

    /// A stream has broken off: it is opened again, once within [`AGAIN_AFTER`]. What was played until then is kept.
    pub(super) fn pick_up(&mut self) {
        let (input, output) = self.chosen_names();
        let (input, output) = (input.unwrap_or_default(), output.unwrap_or_default());
        let was_recording = self.parts.controls.recording.load(Ordering::Relaxed);
        self.close();
        self.forget_round_trip();
        self.look_for_cards();
        let place = |names: &[String], name: &str| names.iter().position(|n| n == name);
        let is_first = self.broke_at.replace(Instant::now()).is_none_or(|at| at.elapsed() > AGAIN_AFTER);
        let (again, out) = (place(&self.names.0, &input), place(&self.names.1, &output));
        let said = if again.is_some_and(|i| is_first && self.open(i, out)) {
            if was_recording {
                self.parts.controls.start();
            }
            format!(
                "The sound of {input} broke off for a moment: what was played until then is kept, what follows is a pass of its own."
            )
        } else {
            format!(
                "{input} is gone, or its sound broke off. What was played until then is kept: plug it in and look again."
            )
        };
        self.notices = vec![said];
    }

    /// What became of the streams since the last frame.
    pub(super) fn look_after(&mut self) {
        if self.parts.controls.broken.swap(false, Ordering::AcqRel) && self.sound.is_some() {
            self.pick_up();
        }
        let Some(sound) = &mut self.sound else { return };
        if std::mem::take(&mut self.record_at_once) {
            self.parts.controls.start();
        }
        let clock = self.parts.meters.clock.load(Ordering::Relaxed);
        if clock != self.heard.1 {
            self.heard = (Instant::now(), clock);
        }
        if self.parts.controls.measuring.load(Ordering::Relaxed)
            && let Some(measured) = sound.measured()
        {
            self.take_round_trip(measured);
        }
        let channel = self.parts.controls.channel.load(Ordering::Relaxed);
        self.level.take(self.parts.controls.take_peak(channel), Instant::now());
    }

    /// The delay was measured, or could not be.
    pub(super) fn take_round_trip(&mut self, measured: Result<RoundTrip, NotFound>) {
        match (measured, self.devices()) {
            (Ok(found), Some((input, output, rate_hz))) => {
                self.set_round_trip(found.samples, delay_in_words(found.samples, found.spread, rate_hz));
                let devices = (input, output.unwrap_or_default());
                self.settings.delay = Some(Delay { devices, rate_hz, samples: found.samples, spread: found.spread });
            }
            (Err(why), _) => self.set_round_trip(0, why.to_string()),
            (Ok(_), None) => self.forget_round_trip(),
        }
    }
}
