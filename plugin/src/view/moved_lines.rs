//! Lines that the player moved to where the ear draws them: that verdicts are told by them, and the way back.

use super::theme::Theme;
use crate::tasks::Task;
use egui::{RichText, Ui};
use notefront_takes::corrections::ear::Lines;

/// What is to be known where verdicts are told: nothing, where every line lies where it usually does.
pub fn notice(ui: &mut Ui, lines: &Lines, theme: &Theme, tasks: &mut Vec<Task>) {
    if let Some(notice) = lines.notice() {
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new(notice).color(theme.soft_ink));
            put_back(ui, tasks);
        });
    }
}

/// Where the lines lie, in the settings; `ear` are those that the player had moved for every program, which a project judges by
/// only when it is told to.
pub fn setting(ui: &mut Ui, lines: &Lines, ear: &Lines, tasks: &mut Vec<Task>) {
    if !lines.are_usual() {
        ui.horizontal_wrapped(|ui| {
            ui.label(format!("lines moved to your ear: {}", lines.in_words()));
            put_back(ui, tasks);
        });
    }
    if !ear.are_usual() && ear != lines {
        ui.horizontal_wrapped(|ui| {
            ui.label(format!("elsewhere you judge by your ear: {}", ear.in_words()));
            let why = "Judges this project by the lines that you moved in the standalone, or with notefront settings.";
            if ui.small_button("here too").on_hover_text(why).clicked() {
                tasks.push(Task::Lines(*ear));
            }
        });
    }
}

fn put_back(ui: &mut Ui, tasks: &mut Vec<Task>) {
    if ui.small_button("put back").on_hover_text("All lines lie where they usually do.").clicked() {
        tasks.push(Task::Lines(Lines::default()));
    }
}
