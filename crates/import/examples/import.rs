//! Makes a region: `cargo run --release -p import --example import -- NAME OUT FILE...
//! [--elevation PATH...]`
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args_os().skip(1);
    let (Some(name), Some(out)) = (args.next(), args.next()) else {
        return Err("usage: import NAME OUT FILE... [--elevation PATH...]".into());
    };
    let rest: Vec<PathBuf> = args.map(PathBuf::from).collect();
    let mut parts = rest.split(|a| a.as_os_str() == "--elevation");
    let files = parts.next().unwrap_or(&[]);
    let elevation: Vec<PathBuf> = parts.flatten().cloned().collect();
    let name = name.to_string_lossy();
    let out = PathBuf::from(out);
    let job = import::Job {
        name: &name,
        files,
        elevation: &elevation,
        credit: Some(import::OPENSTREETMAP),
        out: &out,
    };
    let start = std::time::Instant::now();
    let last = Mutex::new(String::new());
    let progress = |stage: &str, _: u64, _: u64| {
        let Ok(mut last) = last.lock() else { return };
        if *last != stage {
            eprintln!("{:6.2} s {stage}", start.elapsed().as_secs_f64());
            stage.clone_into(&mut last);
        }
    };
    let report = import::import(&job, &progress, &AtomicBool::new(false))?;
    eprintln!("{:6.2} s done", start.elapsed().as_secs_f64());
    println!("{report:#?}");
    Ok(())
}
