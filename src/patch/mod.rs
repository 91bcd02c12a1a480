//! The patch as pictures: the matte of its region, and the take with the plate laid through
//! it.
//!
//! ```text
//!   divider -> matte ------.
//!   take   ----------------+-> temp comp
//!   plate frames x fade ---'
//! ```

mod matte;
mod matte_file;
mod fade;
mod sited;
mod blend;
mod temp;

pub use blend::Comp;
pub use fade::Fade;
pub use matte::Matte;
pub use matte_file::{MATTE_SCHEMA, MatteKind, MatteMade, make_matte};
pub use sited::{Offset, Sited, chroma_offset};
pub use temp::{TempJob, make_temp};
