//! Progress bars on standard error, on a terminal only.

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use notefront_takes::take::Progress;
use std::path::Path;
use std::time::{Duration, Instant};

/// Bars shown at most; of more takes than that only the count is shown.
const MAX_BARS: usize = 8;
/// Bars count in ms of sound, so that short takes move too.
const TICKS_PER_S: f64 = 1000.0;

/// A take done sooner than this shows no bar.
const PATIENCE: Duration = Duration::from_millis(400);

/// The bars of all takes.
pub struct Progressing {
    bars: MultiProgress,
    takes: ProgressBar,
    has_bars: bool,
}

/// The bar of one take.
pub struct Bar {
    bar: ProgressBar,
    begun: Instant,
}

impl Progressing {
    /// Bars for so many takes. Nothing is drawn when standard error is no terminal.
    pub fn new(num_takes: usize) -> Self {
        let bars = MultiProgress::with_draw_target(ProgressDrawTarget::stderr());
        let takes = if num_takes > 1 { bars.add(ProgressBar::new(num_takes as u64)) } else { ProgressBar::hidden() };
        takes.set_style(style("{bar:30} {pos} of {len} takes"));
        Self { bars, takes, has_bars: num_takes <= MAX_BARS }
    }

    /// The bar of a take that is begun.
    pub fn bar(&self, path: &Path) -> Bar {
        let bar = if self.has_bars { self.bars.add(ProgressBar::no_length()) } else { ProgressBar::hidden() };
        bar.set_style(style("{bar:30} {percent:>3} %  {wide_msg}"));
        bar.set_message(path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned());
        Bar { bar, begun: Instant::now() }
    }

    /// A take is done.
    pub fn take_done(&self) {
        self.takes.inc(1);
    }

    /// All are done: the terminal is left as it was.
    pub fn finish(&self) {
        let _ = self.bars.clear();
    }
}

impl Bar {
    /// Moves the bar.
    pub fn update(&mut self, progress: Progress) {
        if self.begun.elapsed() < PATIENCE {
            return;
        }
        let length = progress.total_s.map(|total_s| (total_s * TICKS_PER_S) as u64);
        if let Some(length) = length.filter(|&length| self.bar.length() != Some(length)) {
            self.bar.set_length(length);
        }
        self.bar.set_position((progress.done_s * TICKS_PER_S) as u64);
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// The templates are ours and fixed; should one be wrong, the library's own style stands in.
fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}
