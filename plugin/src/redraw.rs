//! How whoever changes the session asks the open window to draw it.

use parking_lot::Mutex;
use std::sync::Arc;

/// The window that is open, once it has drawn: nobody can ask before its first frame, which it asks for itself (see
/// `framework/window.rs`). Clones ask the same window.
#[derive(Debug, Clone, Default)]
pub struct Redraw(Arc<Mutex<Option<egui::Context>>>);

impl Redraw {
    /// Asks for a frame. Locks, so never on the audio thread.
    pub fn request(&self) {
        if let Some(window) = &*self.0.lock() {
            window.request_repaint();
        }
    }

    /// A new window is being made; it asks for its first frame itself, when it is shown.
    pub fn expect_window(&self) {
        *self.0.lock() = None;
    }

    /// The window draws, from now on it can be asked.
    pub fn has_drawn(&self, window: &egui::Context) {
        self.0.lock().get_or_insert_with(|| window.clone());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn nobody_asks_a_window_that_has_not_drawn() {
        let (window, asked) = (egui::Context::default(), Arc::new(AtomicUsize::new(0)));
        let count = asked.clone();
        window.set_request_repaint_callback(move |_| {
            count.fetch_add(1, Ordering::Relaxed);
        });
        let redraw = Redraw::default();
        redraw.request();
        assert_eq!(asked.load(Ordering::Relaxed), 0);
        redraw.has_drawn(&window);
        redraw.request();
        assert_eq!(asked.load(Ordering::Relaxed), 1);
        redraw.expect_window();
        redraw.request();
        assert_eq!(asked.load(Ordering::Relaxed), 1, "the window before was closed");
    }
}
