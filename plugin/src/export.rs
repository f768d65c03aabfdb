//! The entry points a host looks for: the one place where unsafe code is allowed.
#![allow(unsafe_code, missing_docs)]

use crate::Notefront;

nice_plug::nice_export_clap!(Notefront);
nice_plug::nice_export_vst3!(Notefront);
