//! The window with all that its frames show, held by one owner: for tests and pictures without a host.

use crate::choices::Choices;
use crate::looks::Looks;
use crate::meters::Meters;
use crate::passes::Pass;
use crate::session::Session;
use crate::view::screen::ScreenOutput;
use crate::view::{Screen, ScreenInput};
use egui::Ui;

/// What a host and its threads hold in parts.
#[derive(Default)]
pub struct WholeWindow {
    /// The passes.
    pub session: Session,
    /// The settings.
    pub choices: Choices,
    /// Levels and counters.
    pub meters: Meters,
    /// Colours and text size.
    pub looks: Looks,
    /// What the window keeps between frames.
    pub screen: Screen,
}

impl WholeWindow {
    /// A window over these passes.
    #[must_use]
    pub fn with(passes: Vec<Pass>) -> Self {
        let mut window = Self::default();
        for pass in passes {
            window.session.add(pass);
        }
        window
    }

    /// Draws a frame.
    pub fn frame(&mut self, ui: &mut Ui) -> ScreenOutput {
        let (session, choices, meters, looks) = (&mut self.session, self.choices, &self.meters, &mut self.looks);
        self.screen.show(ui, &mut ScreenInput { session, choices, meters, looks })
    }
}
