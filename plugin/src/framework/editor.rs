//! EDITOR: the window in a host. Draws the session and sends the player's wishes as tasks.

use super::runner::TaskRunner;
use crate::desk::Desk;
use crate::looks::{Looks, SIDE_RANGE};
use crate::meters::Meters;
use crate::project::Project;
use crate::take_file::TakeLoader;
use crate::tasks::SendTask;
use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::{LogicalSize, NativeSize, Size};
use nice_plug::editor::{HostMethods, ParentWindowHandle, ResizeHint, SizeConstraints, SpawnedEditor};
use nice_plug::prelude::{Editor, TrackInfo};
use nice_plug_egui::baseview::{HandlerError, WindowSize};
use nice_plug_egui::{
    EguiEditor, EguiEditorHandle, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier,
    create_egui_editor,
};
use parking_lot::Mutex;
use std::error::Error;
use std::sync::Arc;
use std::time::Duration;

/// What the window shares with the rest of its instance.
#[derive(Clone)]
pub struct EditorParts {
    /// Choices and session.
    pub project: Project,
    /// Levels and counters.
    pub meters: Arc<Meters>,
    /// Runs what the window asks for, on the host's thread.
    pub tasks: TaskRunner,
    /// Loads takes from files.
    pub loader: Arc<TakeLoader>,
    /// The way to the host's thread.
    pub send: SendTask,
}

/// The window of one instance; made anew, at the size the project keeps, each time it opens.
pub struct NotefrontEditor {
    parts: EditorParts,
    open: Mutex<Option<EguiEditor<App>>>,
}

impl NotefrontEditor {
    /// An editor that has no window yet.
    #[must_use]
    pub fn new(parts: EditorParts) -> Self {
        Self { parts, open: Mutex::new(None) }
    }

    fn looks(&self) -> Looks {
        self.parts.project.looks.read().clamped()
    }

    fn make(&self) -> Option<EguiEditor<App>> {
        let looks = self.looks();
        let size = LogicalSize::new(looks.width as f32, looks.height as f32);
        let state = EguiEditorState::from_size(Size::Logical(size.cast()), 1.0);
        let EditorParts { project, meters, loader, .. } = self.parts.clone();
        let app = App { parts: self.parts.clone(), desk: Desk::new(project, meters, loader, false) };
        let mut settings = EguiNiceSettings::new().with_tile("Notefront").with_resize_hint(self.resize_hint());
        if cfg!(target_os = "linux") {
            // The framework's notifier asks for a frame as soon as it is polled, shown or not: see `window`.
            settings = settings.with_repaint_poll_interval(Duration::MAX);
        }
        create_egui_editor(state, RepaintNotifier::new(), settings, app)
    }
}

impl Editor for NotefrontEditor {
    type Handle = EguiEditorHandle;

    fn spawn(
        &self,
        parent: Option<ParentWindowHandle>,
        wait_for_parent: bool,
        fallback_scale_factor: Option<f64>,
        gui_context: GuiContext,
        host: Option<HostMethods>,
    ) -> Result<SpawnedEditor<Self::Handle>, Box<dyn Error>> {
        self.parts.tasks.set_context(gui_context.clone());
        self.parts.project.session.redraw().expect_window();
        let editor = self.make().ok_or("there is no window to be had")?;
        let spawned = editor.spawn(parent, wait_for_parent, fallback_scale_factor, gui_context, host)?;
        *self.open.lock() = Some(editor);
        Ok(spawned)
    }

    fn size(&self) -> NativeSize<u32> {
        match &*self.open.lock() {
            Some(editor) => editor.size(),
            None => {
                let looks = self.looks();
                NativeSize::new(looks.width, looks.height)
            }
        }
    }

    fn resize_hint(&self) -> ResizeHint {
        let (min, max) = (SIDE_RANGE.0 as f32, SIDE_RANGE.1 as f32);
        ResizeHint {
            can_resize: true,
            can_resize_horizontally: true,
            can_resize_vertically: true,
            size_constraints: SizeConstraints::Logical {
                min_size: Some(LogicalSize::new(min, min * 0.75)),
                max_size: Some(LogicalSize::new(max, max)),
            },
            ..ResizeHint::NON_RESIZABLE
        }
    }

    fn track_info_updated(&self, info: TrackInfo) {
        self.parts.project.session.lock().track = info.name().to_owned();
        self.parts.project.session.request_repaint();
    }

    #[allow(unsafe_code)]
    unsafe fn assume_standalone_in_process(&self) {
        if let Some(editor) = self.make() {
            // SAFETY: the caller's promise (this process is the standalone) is the one asked for here.
            unsafe { editor.assume_standalone_in_process() };
        }
    }
}

/// What runs inside the window.
struct App {
    parts: EditorParts,
    desk: Desk,
}

impl NiceEguiApp for App {
    fn build(&mut self, context: egui::Context, _gui: GuiContext, _frame: &mut Frame) -> Result<(), HandlerError> {
        let _ = context;
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        self.parts.project.session.redraw().has_drawn(ui.ctx());
        self.desk.frame(ui).into_iter().for_each(|task| (self.parts.send)(task));
    }

    fn resized(&mut self, size: WindowSize) {
        let mut looks = self.parts.project.looks.write();
        looks.width = size.logical.width.round() as u32;
        looks.height = size.logical.height.round() as u32;
    }
}
