//! What is listened to in the window, and the blind sitting in place of its screen.

use super::Alone;
use crate::alone::sitting::{self, Sitting};
use crate::alone::sitting_panel::{self, SittingWish};
use crate::passes::PassId;
use crate::tasks::Task;
use crate::timing::Judging;
use crate::view::listen::ListenWish;
use crate::view::theme::Theme;
use egui::{Frame as Border, Margin};
use std::sync::atomic::Ordering;

impl Alone {
    /// Plays what is asked for, unless a pass is taken: it would be heard in it.
    pub(super) fn listen(&mut self, wish: ListenWish) {
        let is_recording = self.parts.controls.recording.load(Ordering::Relaxed);
        let said = match wish {
            ListenWish::Stop => {
                self.listener.stop();
                Ok(())
            }
            ListenWish::Hear(_) | ListenWish::Blind(_) if is_recording => {
                Err("Stop recording first: what you listen to would be recorded.".into())
            }
            ListenWish::Hear(stretch) => self.listener.hear(stretch),
            ListenWish::Blind(pass) => return self.begin_sitting(Some(pass)),
        };
        self.desk.listening().trouble = said.err().unwrap_or_default();
    }

    /// Begins a blind sitting with the fronts of a pass, and of others where those are few.
    pub(super) fn begin_sitting(&mut self, pass: Option<PassId>) {
        self.listener.stop();
        self.notices.clear();
        let session = self.parts.project.session.clone();
        let begun = match pass {
            Some(pass) => self.listener.is_being_read(pass).and_then(|is_being_read| match is_being_read {
                true => Err("The sound is being read: begin again in a moment.".into()),
                false => Sitting::begin(&session.lock(), pass, &self.parts.kept_sound, sitting::seed()),
            }),
            None => Err("There is nothing to listen to yet: record or open a take first.".into()),
        };
        match begun {
            Ok(sitting) => {
                self.sitting = Some(sitting);
                self.hear_asked();
                // Where nothing can be heard none is held.
                let trouble = self.sitting.as_mut().map(|sitting| std::mem::take(&mut sitting.trouble));
                if let Some(why) = trouble.filter(|why| !why.is_empty()) {
                    self.sitting = None;
                    self.notices.push(why);
                }
            }
            Err(why) => self.notices.push(why),
        }
    }

    /// Plays the front that is asked about.
    pub(super) fn hear_asked(&mut self) {
        let Some(stretch) = self.sitting.as_ref().and_then(Sitting::stretch) else { return };
        let heard = self.listener.hear(stretch);
        if let Some(sitting) = &mut self.sitting {
            sitting.trouble = heard.err().unwrap_or_default();
        }
    }

    pub(super) fn show_sitting(&mut self, ui: &mut egui::Ui) {
        let looks = self.desk.looks();
        let theme = Theme::of(looks.colours);
        let border = Border::new().fill(theme.paper).inner_margin(Margin::symmetric(24, 20));
        let Some(sitting) = &mut self.sitting else { return };
        let shown = egui::CentralPanel::default().frame(border);
        let wish = shown.show(ui, |ui| sitting_panel::show(ui, sitting, &theme, looks.text_scale)).inner;
        let judging = self.parts.project.judging();
        match wish {
            Some(SittingWish::Again) => self.hear_asked(),
            Some(SittingWish::Answer(answer)) => {
                if sitting.answer(answer) {
                    self.listener.stop();
                    self.keep_answers(&judging);
                } else {
                    self.hear_asked();
                }
            }
            Some(SittingWish::TakeBack) => {
                let passes = sitting.take_back(&mut self.parts.project.session.lock(), &judging);
                passes.into_iter().for_each(|pass| self.desk.keep_beside(pass));
            }
            Some(SittingWish::Move(lines)) => {
                sitting.told.push(format!("All is judged by your ear now: {}.", lines.in_words()));
                sitting.offered = None;
                self.choose(Task::Lines(lines));
            }
            Some(SittingWish::Leave) => {
                self.listener.stop();
                self.sitting = None;
            }
            None => {}
        }
    }

    /// The answers of a sitting become corrections, also beside the takes.
    pub(super) fn keep_answers(&mut self, judging: &Judging) {
        let Some(sitting) = &mut self.sitting else { return };
        let passes = sitting.keep(&mut self.parts.project.session.lock(), judging);
        passes.into_iter().for_each(|pass| self.desk.keep_beside(pass));
    }
}
