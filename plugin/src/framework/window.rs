//! A window of our own: the standalone's, and the one that pictures are taken of.
//!
//! On X11 the window library (baseview 0.4.2) listens for the display's answer to a frame request only from the moment
//! the window is shown, and sends no second request while one is unanswered: a request before the window is shown leaves it
//! grey until it is closed. So nobody asks before the first frame: [`Redraw`](crate::redraw::Redraw) holds the window from
//! then on, here as in a host.

use nice_plug::editor::dpi::{LogicalSize, Size};
use nice_plug_egui::baseview::HandlerError;
use nice_plug_egui::{App, EguiWindow, EguiWindowSettings, Frame};

/// Opens a window of that many logical pixels and returns when it is closed. `draw` draws each frame. `zoom` stands for the
/// screen's own, where it tells none.
///
/// # Errors
/// Why there is no window, as the system says it.
pub fn run(
    size: (u32, u32),
    zoom: Option<f64>,
    draw: impl FnMut(&mut egui::Ui) + Send + 'static,
) -> Result<(), String> {
    open(size, zoom, Drawn { draw, gone: None })
}

/// The same; where the display destroys the window, `gone` is called on a thread of its own. The window library (baseview
/// 0.4.2) does not look for that on X11, and its loop goes on for ever when another program has done it.
///
/// # Errors
/// Why there is no window, as the system says it.
pub fn run_watched(
    size: (u32, u32),
    draw: impl FnMut(&mut egui::Ui) + Send + 'static,
    gone: impl FnOnce() + Send + 'static,
) -> Result<(), String> {
    open(size, None, Drawn { draw, gone: Some(Box::new(gone)) })
}

fn open<F: FnMut(&mut egui::Ui) + Send + 'static>(
    (width, height): (u32, u32),
    zoom: Option<f64>,
    drawn: Drawn<F>,
) -> Result<(), String> {
    let size = LogicalSize::new(f64::from(width), f64::from(height));
    let settings = EguiWindowSettings::new()
        .with_title("Notefront")
        .with_fallback_scale_factor(zoom)
        .with_size(Size::Logical(size.cast()));
    let open = EguiWindow::create(settings, drawn).map_err(|e| e.to_string())?;
    open.run_until_closed().map_err(|e| e.to_string())
}

struct Drawn<F> {
    draw: F,
    gone: Option<Box<dyn FnOnce() + Send>>,
}

impl<F: FnMut(&mut egui::Ui) + Send + 'static> App for Drawn<F> {
    fn build(&mut self, _context: egui::Context, frame: &mut Frame) -> Result<(), HandlerError> {
        if let Some(gone) = self.gone.take() {
            watch::window(frame, gone);
        }
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        (self.draw)(ui);
    }
}

#[cfg(all(feature = "standalone", target_os = "linux"))]
mod watch {
    use nice_plug_egui::Frame;
    use raw_window_handle::{HasWindowHandle, RawWindowHandle};
    use x11rb::connection::Connection;
    use x11rb::protocol::Event;
    use x11rb::protocol::xproto::{ChangeWindowAttributesAux, ConnectionExt, EventMask};

    /// Waits for the window's end on a connection of its own.
    pub fn window(frame: &Frame, gone: Box<dyn FnOnce() + Send>) {
        let handle = frame.baseview_window().window_handle().map(|handle| handle.as_raw());
        let window = match handle {
            Ok(RawWindowHandle::Xlib(handle)) => u32::try_from(handle.window).ok(),
            Ok(RawWindowHandle::Xcb(handle)) => Some(handle.window.get()),
            _ => None,
        };
        let Some(window) = window else { return };
        let watches = std::thread::Builder::new().name("notefront watch".into());
        // Without the thread the window is as it was before it was watched.
        let _ = watches.spawn(move || {
            if wait_for_end(window).is_ok() {
                gone();
            }
        });
    }

    /// Returns when the window is destroyed, or the display is gone.
    fn wait_for_end(window: u32) -> Result<(), Box<dyn std::error::Error>> {
        let (connection, _) = x11rb::connect(None)?;
        let asked = ChangeWindowAttributesAux::new().event_mask(EventMask::STRUCTURE_NOTIFY);
        connection.change_window_attributes(window, &asked)?.check()?;
        connection.flush()?;
        loop {
            match connection.wait_for_event() {
                Ok(Event::DestroyNotify(event)) if event.window == window => return Ok(()),
                Ok(_) => {}
                Err(_) => return Ok(()),
            }
        }
    }
}

#[cfg(not(all(feature = "standalone", target_os = "linux")))]
mod watch {
    /// Elsewhere the window library is told by the system.
    pub fn window(_frame: &nice_plug_egui::Frame, _gone: Box<dyn FnOnce() + Send>) {}
}
