//! A window of our own: the standalone's, and the one that pictures are taken of.
//!
//! On X11 the window library (baseview 0.4.2) listens for the display's answer to a frame request only from the moment
//! the window is shown, and sends no second request while one is unanswered: a request before the window is shown leaves it
//! grey until it is closed. So nobody asks before the first frame: [`Redraw`](crate::redraw::Redraw) holds the window from
//! then on, here as in a host.

use nice_plug::editor::dpi::{LogicalSize, Size};
use nice_plug_egui::{App, EguiWindow, EguiWindowSettings, Frame};

/// Opens a window of that many logical pixels and returns when it is closed. `draw` draws each frame. `zoom` stands for the
/// screen's own, where it tells none.
///
/// # Errors
/// Why there is no window, as the system says it.
pub fn run(
    (width, height): (u32, u32),
    zoom: Option<f64>,
    draw: impl FnMut(&mut egui::Ui) + Send + 'static,
) -> Result<(), String> {
    let size = LogicalSize::new(f64::from(width), f64::from(height));
    let settings = EguiWindowSettings::new()
        .with_title("Notefront")
        .with_fallback_scale_factor(zoom)
        .with_size(Size::Logical(size.cast()));
    let open = EguiWindow::create(settings, Drawn(draw)).map_err(|e| e.to_string())?;
    open.run_until_closed().map_err(|e| e.to_string())
}

struct Drawn<F>(F);

impl<F: FnMut(&mut egui::Ui) + Send + 'static> App for Drawn<F> {
    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        (self.0)(ui);
    }
}
