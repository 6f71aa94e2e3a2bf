//! How far long work is: a bar on a terminal, now and then a line elsewhere.

use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Lines of one stage are at least so far apart where there is no terminal.
const LINE_PAUSE: Duration = Duration::from_secs(10);

/// Shows stages of work on standard error.
pub struct Progress {
    bar: Option<ProgressBar>,
    last: Mutex<Option<(String, Instant)>>,
}

impl Progress {
    /// Nothing is shown yet.
    pub fn new() -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar =
                ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr_with_hz(10));
            let style =
                ProgressStyle::with_template("{msg:32!} {wide_bar} {percent:>3} % {elapsed:>4}");
            bar.with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
        });
        Progress {
            bar,
            last: Mutex::new(None),
        }
    }

    /// `done` of `of` steps of a stage; `of` 0 if unknown.
    pub fn show(&self, stage: &str, done: u64, of: u64) {
        if let Some(bar) = &self.bar {
            if bar.message() != stage {
                bar.set_message(stage.to_owned());
            }
            bar.set_length(of.max(1));
            bar.set_position(done.min(of));
            return;
        }
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        let is_due = last
            .as_ref()
            .is_none_or(|(s, at)| s != stage || now - *at >= LINE_PAUSE);
        if !is_due {
            return;
        }
        match (done * 100).checked_div(of) {
            Some(percent) if done > 0 => eprintln!("{stage}: {percent} %"),
            _ => eprintln!("{stage}"),
        }
        *last = Some((stage.to_owned(), now));
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
