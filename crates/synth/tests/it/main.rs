//! Everything an outsider can see of `synth`.

mod country;
mod files;
mod sketch;
