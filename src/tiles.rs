//! A plate copied in tiles: placed, adjusted and composed onto its own grid.

use crate::error::{Error, Fault};
use crate::notes::Plate;
use crate::pipeline::{Failure, Rectified, Run};

pub fn rectify(run: &Run, plate: &Plate) -> Result<Rectified, Box<Failure>> {
    let fault = Fault::new(
        format!("plate {} has several captures, and tiles are not composed by this version", plate.id),
        "give one capture that shows the whole plate",
    );
    Err(Error::at_line(&run.session.file, plate.line, fault).into())
}
