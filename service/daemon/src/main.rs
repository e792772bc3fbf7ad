//! The binary `hotspell`.

fn main() {}
