//! The `platesmith` command.

/// A cut is read into a great many small pieces; with the system's allocator a third of the
/// time of a check goes into handing them out and taking them back.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    platesmith::cli::run()
}
