//! The views: functions of plain data. They hold no analysis.

use crate::looks::Looks;
use crate::meters::Meters;
use crate::params::NotefrontParams;
use crate::session::Session;
use crate::tasks::Task;

/// What a frame shows.
pub struct ScreenInput<'a> {
    /// The passes.
    pub session: &'a mut Session,
    /// The settings.
    pub params: &'a NotefrontParams,
    /// Levels and counters.
    pub meters: &'a Meters,
    /// Colours and text size.
    pub looks: &'a mut Looks,
}

/// The whole window.
#[derive(Default)]
pub struct Screen {}

impl Screen {
    /// Once for each window.
    pub fn set_up(&mut self, _context: &egui::Context) {}

    /// Draws a frame; the tasks are the player's wishes.
    pub fn show(&mut self, ui: &mut egui::Ui, input: &mut ScreenInput<'_>) -> Vec<Task> {
        ui.label(format!("{} passes", input.session.passes().len()));
        Vec::new()
    }
}
