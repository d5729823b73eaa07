//! The thin binary: everything is in the library.

fn main() -> std::process::ExitCode {
    spinproof::cli::main()
}
