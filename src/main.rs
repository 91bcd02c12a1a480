//! The `platesmith` command.

fn main() -> std::process::ExitCode {
    platesmith::cli::run()
}
