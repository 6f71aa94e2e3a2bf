//! Prints the counts of extracts: `cargo run -p import --example count -- FILE...`
#![allow(clippy::print_stdout)]

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let files: Vec<_> = std::env::args_os().skip(1).map(Into::into).collect();
    println!("{:#?}", import::count::count(&files)?);
    Ok(())
}
