//! The insert: sits on a track, passes the sound through bit for bit, and shows which entrances to look at.
//!
//! Three sides, each in files of its own; the order of the `mod` lines is the order of the flow, and a module uses only
//! what stands before it:
//! - AUDIO (`capture`, `delay`, `marker_out`): never allocates, locks, logs or waits (offline rendering
//!   excepted, where it waits so that nothing is lost);
//! - WORKER (`worker`, `take_file`): one named thread per instance runs the analysis, another loads a take;
//! - EDITOR (`desk`, `view`): draws plain data and sends the player's wishes as tasks.
//!
//! None of them knows the plug-in framework: it stands behind one wall, `framework`.

// What all sides know.
pub mod looks;
pub mod meters;
pub mod transport;
pub mod wave;
pub mod beats;
pub mod dice;

// AUDIO.
pub mod delay;
pub mod marker_out;
pub mod capture;

// Plain data: passes, judged and timed, and what a project keeps of them.
pub mod timing;
pub mod passes;
pub mod fronts;
pub mod redraw;
pub mod session;
pub mod bounds;
pub mod packed;
pub mod older_state;
pub mod state;
#[cfg(any(test, feature = "fixture"))]
pub mod fixture;

// What is told of them.
pub mod words;
pub mod align;
pub mod patterns;
pub mod overview;
pub mod marker_files;
pub mod beside;

// The player's wishes.
pub mod ear_lines;
pub mod choices;
pub mod project;
pub mod tasks;

// WORKER.
pub mod quiet;
pub mod kept_sound;
pub mod practice_log;
pub mod spare_time;
pub mod worker;
pub mod take_file;

// What runs from activation to deactivation.
pub mod instance;

// EDITOR.
pub mod view;
#[cfg(any(test, feature = "fixture"))]
pub mod whole_window;
pub mod desk;

// THE WALL: the plug-in framework, and what works around it.
pub mod framework;

// The standalone: what a host would do.
pub mod alone;
