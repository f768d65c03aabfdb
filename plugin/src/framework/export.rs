//! The entry points a host looks for: with `clap_door` the one place where unsafe code is allowed.
#![allow(unsafe_code, missing_docs)]

use super::plugin::Notefront;

nice_plug::nice_export_vst3!(Notefront);
