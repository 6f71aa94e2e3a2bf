//! Everything an outsider can see of `synth`.

mod files;
mod sketch;
