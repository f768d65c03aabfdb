//! The entry points a host looks for, and what stands for a host where there is none: the one place where unsafe code is
//! allowed.
#![allow(unsafe_code, missing_docs)]

use crate::Notefront;
#[cfg(feature = "standalone")]
pub use own_host::own_context;

nice_plug::nice_export_clap!(Notefront);
nice_plug::nice_export_vst3!(Notefront);

#[cfg(feature = "standalone")]
mod own_host {
    use crate::params::NotefrontParams;
    use nice_plug::context::PluginApi;
    use nice_plug::context::gui::{GuiContext, GuiContextInner};
    use nice_plug::prelude::{ParamPtr, Params, PluginState};
    use std::sync::Arc;

    /// What sets parameters in the standalone: nobody automates them, and no project keeps them.
    #[must_use]
    pub fn own_context(params: Arc<NotefrontParams>) -> GuiContext {
        GuiContext::new(Arc::new(OwnContext(params)))
    }

    struct OwnContext(Arc<NotefrontParams>);

    impl GuiContextInner for OwnContext {
        fn plugin_api(&self) -> PluginApi {
            PluginApi::Standalone
        }

        unsafe fn raw_begin_set_parameter(&self, _param: ParamPtr) {}

        unsafe fn raw_set_parameter_normalized(&self, param: ParamPtr, normalized: f32) {
            if self.0.param_map().iter().any(|(_, own, _)| *own == param) {
                // SAFETY: it is one of our own parameters, which live as long as this.
                unsafe { param._internal_set_normalized_value(normalized) };
            }
        }

        unsafe fn raw_end_set_parameter(&self, _param: ParamPtr) {}

        fn get_state(&self) -> PluginState {
            PluginState { version: String::new(), params: Default::default(), fields: Default::default() }
        }

        fn set_state(&self, _state: PluginState) {}

        fn request_restart(&self) {}
    }
}
