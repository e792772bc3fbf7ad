//! Builds the store anew when a migration comes: the macro that embeds them is not told of new files.

fn main() {
    println!("cargo::rerun-if-changed=../../migrations");
}
