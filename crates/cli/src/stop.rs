//! Ctrl-C and the other ways of asking a program to end.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::sync::watch;

use crate::failure::Failure;

/// Tells work that it should end. The first request ends it in order, the second at once.
#[derive(Clone)]
pub struct Stop {
    flag: Arc<AtomicBool>,
    told: watch::Receiver<bool>,
}

impl Stop {
    /// Listens from now on; once per process.
    pub fn listen() -> Result<Self, Failure> {
        let flag = Arc::new(AtomicBool::new(false));
        let (tell, told) = watch::channel(false);
        let raised = flag.clone();
        ctrlc::set_handler(move || {
            if raised.swap(true, Ordering::SeqCst) {
                std::process::exit(130);
            }
            let _ = tell.send(true);
        })
        .map_err(|e| Failure::internal(format!("cannot listen for Ctrl-C: {e}")))?;
        Ok(Stop { flag, told })
    }

    /// Raised once the program should end.
    pub fn flag(&self) -> &AtomicBool {
        &self.flag
    }

    /// Ready once the program should end.
    pub async fn wait(mut self) {
        if self.told.wait_for(|told| *told).await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}
