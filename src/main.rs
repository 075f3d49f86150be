//! Takes the arguments, calls [`patency::cli`], turns its answer into an exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    patency::cli::main()
}
