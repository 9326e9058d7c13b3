//! Kinds that a build leaves out, with a feature not chosen: each is refused in words.

/// In place of the module of that name, without the feature `heic`.
#[cfg(not(feature = "heic"))]
pub mod heic {
    use crate::error::Fault;
    use crate::frame::{CaptureProfile, Frame, Settings};
    use crate::image::Size;

    pub fn dimensions(_: &[u8]) -> Result<Size, Fault> {
        Err(absent())
    }

    pub fn settings(_: &[u8]) -> Result<Settings, Fault> {
        Err(absent())
    }

    pub fn read(_: &[u8], _: &CaptureProfile) -> Result<Frame, Fault> {
        Err(absent())
    }

    fn absent() -> Fault {
        Fault::new(
            "it is an HEIC, which this build leaves out",
            "build with the feature `heic`, or set the camera to JPEG",
        )
    }
}

/// In place of the module of that name, without the feature `raw`.
#[cfg(not(feature = "raw"))]
pub mod raw {
    use crate::error::Fault;
    use crate::frame::{Frame, Settings};
    use crate::image::Size;

    pub fn dimensions(_: &[u8]) -> Result<Size, Fault> {
        Err(absent())
    }

    pub fn settings(_: &[u8]) -> Result<Settings, Fault> {
        Err(absent())
    }

    pub fn read(_: &[u8]) -> Result<Frame, Fault> {
        Err(absent())
    }

    pub fn knows(_: &[u8]) -> bool {
        true
    }

    fn absent() -> Fault {
        Fault::new(
            "it is a maker's raw file, which this build leaves out",
            "build with the feature `raw`, or convert it to DNG",
        )
    }
}

/// In place of the module of that name, without the feature `newer-raw`.
#[cfg(not(feature = "newer-raw"))]
pub mod newer {
    use crate::error::Fault;
    use crate::frame::{Frame, Settings};
    use crate::image::Size;
    use std::path::Path;

    pub fn dimensions(_: &Path) -> Result<Size, Fault> {
        Err(absent())
    }

    pub fn settings(_: &Path) -> Result<Settings, Fault> {
        Err(absent())
    }

    pub fn read(_: &Path) -> Result<Frame, Fault> {
        Err(absent())
    }

    fn absent() -> Fault {
        Fault::new(
            "it is a raw file of a newer camera, which this build leaves out",
            "build with the feature `newer-raw`",
        )
    }
}
