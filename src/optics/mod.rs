//! Apertures, blur, depth of field and the planner.
//!
//! * [`Aperture`]: what a noted aperture means at a magnification.
//! * [`System`]: light, aperture, pixel, defocus and motion; [`System::blur`] predicts the [`BlurSpot`].
//! * [`depth`]: depth of field.
//! * [`measured`]: the blur spot as a picture shows it, and the verdict against the prediction.
//! * [`planner`]: before the shot, what each aperture resolves and what it costs.
//!
//! Lengths are on the specimen unless a name says otherwise. Pictures are not opened here.

mod aperture;
mod blur;
pub mod depth;
mod error;
pub mod measured;
mod otf;
pub mod planner;
mod quadrature;
mod response;
mod spectrum;

pub use aperture::{Aperture, ApertureNote, PupilMagnification, nyquist_per_um};
pub use blur::{BlurCause, BlurPart, BlurSpot, System};
pub use error::OpticsError;
pub use otf::{defocused_otf, diffraction_mtf};
pub use response::ResponseTable;
pub use spectrum::Spectrum;
