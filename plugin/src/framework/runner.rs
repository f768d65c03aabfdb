//! Sets parameters on the host's thread, with the context of the open editor.
//!
//! On Linux a VST3 editor runs on a thread of its own, and a host called from there may crash. So the
//! editor never touches a parameter: it sends a [`Task`], and the framework runs it on the host's thread.

use super::params::HostParams;
use crate::tasks::Task;
use nice_plug::context::gui::GuiContext;
use nice_plug::prelude::{Param, ParamSetter};
use parking_lot::Mutex;
use std::sync::Arc;

/// Runs tasks.
#[derive(Clone)]
pub struct TaskRunner {
    params: Arc<HostParams>,
    context: Arc<Mutex<Option<GuiContext>>>,
}

impl TaskRunner {
    /// A runner for these parameters, without an editor so far.
    #[must_use]
    pub fn new(params: Arc<HostParams>) -> Self {
        Self { params, context: Arc::default() }
    }

    /// The context of the editor that opened last; it holds the instance weakly.
    pub fn set_context(&self, context: GuiContext) {
        *self.context.lock() = Some(context);
    }

    /// Runs one task. On the host's thread only.
    pub fn run(&self, task: Task) {
        let Some(context) = self.context.lock().clone() else { return };
        let setter = context.param_setter();
        let params = &self.params;
        match task {
            Task::Strictness(value) => set(&setter, &params.strictness, value),
            Task::A4(value) => set(&setter, &params.a4_hz, value),
            Task::Instrument(value) => set(&setter, &params.instrument, value),
            Task::Source(value) => set(&setter, &params.source, value),
            Task::Grid(value) => set(&setter, &params.grid, value),
            Task::Swing(value) => set(&setter, &params.swing_percent, value),
            Task::Offset(value) => set(&setter, &params.offset_ms, value),
            Task::LookAhead(value) => set(&setter, &params.look_ahead, value),
            Task::InsistOnBeat(value) => set(&setter, &params.insist_on_beat, value),
            Task::ListenStopped(value) => set(&setter, &params.listen_stopped, value),
            // Kept in the project, without a parameter.
            Task::Lines(lines) => {
                params.lines.move_to(lines);
                params.session.session().lock().is_stale = true;
                params.session.session().request_repaint();
            }
        }
    }
}

fn set<P: Param>(setter: &ParamSetter<'_>, param: &P, value: P::Plain) {
    setter.begin_set_parameter(param);
    setter.set_parameter(param, value);
    setter.end_set_parameter(param);
}
