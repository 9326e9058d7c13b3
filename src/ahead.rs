//! Plates worked on ahead of the run that prints them: each by a run of its own, side by side on one folder of results, on one machine or
//! many.
//!
//! What takes time in a plate stands on no other plate; only its print needs the batch's base. In: a session and the plates to work on. Out:
//! their codes and what was found of them, hidden in OUT/.hyaline, where the run for the whole session finds them. Nothing that
//! people see is touched, so that a run that is lost leaves nothing half done.

use crate::archive::digest;
use crate::batch::{self, Options, Prepared};
use crate::error::Error;
use crate::kept::{self, Kept};
use crate::notes::{Plate, Session};
use crate::pipeline::{self, Found, Rectified};
use crate::progress::{Progress, Timing};
use crate::record::FileDigest;
use crate::spool::Spool;
use std::path::PathBuf;

/// What came of it.
#[derive(Default)]
pub struct Ahead {
    pub done: Vec<String>,
    /// Done before, and as it was.
    pub kept: Vec<String>,
    pub failed: Vec<String>,
    pub timings: Vec<Timing>,
    pub errors: Vec<Error>,
}

/// What is told of a plate beside its codes: how many columns they have, and what was found.
type Told = (usize, Found);

/// Works ahead on a session's plates. Fails before any where another run works on one of them or on the whole session.
pub fn work(session: &Session, options: &Options) -> Result<Ahead, Vec<Error>> {
    let prepared = Prepared::new(session, options)?;
    let names: Vec<String> = prepared.plates.iter().map(|plate| name(plate)).collect();
    let store = Kept::beside(&prepared.out, options.fresh, &names).map_err(|e| vec![e])?;
    let is_ahead = |plate: &Plate, key: &str| store.find::<Told>(&name(plate), key).is_some();
    let stands = |(plate, key): (&&Plate, &String)| batch::is_kept(&store, plate, key) || is_ahead(plate, key);
    let stands: Vec<bool> = prepared.plates.iter().zip(&prepared.keys).map(stands).collect();
    let to_do = stands.iter().filter(|stands| !**stands).count();
    let progress = Progress::new(1 + to_do * pipeline::STAGES, options.quiet);
    let mut ahead = Ahead::default();
    let panel = match to_do {
        0 => None,
        _ => Some(prepared.panel(session, &store, &progress, &mut ahead.errors)),
    };
    for ((plate, key), stands) in prepared.plates.iter().zip(&prepared.keys).zip(stands) {
        let Some((panel, _)) = panel.as_ref().filter(|_| !stands) else {
            ahead.kept.push(plate.id.clone());
            continue;
        };
        let run = prepared.run(session, panel, options, &progress);
        match pipeline::rectify(&run, plate, None)
            .map_err(|failure| failure.error)
            .and_then(|done| keep(&store, plate, key, done))
        {
            Ok(()) => ahead.done.push(plate.id.clone()),
            Err(error) => {
                ahead.failed.push(plate.id.clone());
                ahead.errors.push(error);
            }
        }
    }
    progress.done();
    ahead.timings = progress.timings();
    Ok(ahead)
}

fn name(plate: &Plate) -> String {
    format!("ahead-{}", plate.id)
}

fn codes(store: &Kept, plate: &Plate) -> PathBuf {
    store.out().join(below(plate))
}

fn below(plate: &Plate) -> String {
    format!("{}/{}.codes", kept::FOLDER, name(plate))
}

fn keep(store: &Kept, plate: &Plate, key: &str, mut done: Rectified) -> Result<(), Error> {
    store.still_there()?;
    let path = codes(store, plate);
    done.pixels.keep(&path)?;
    let outputs = [FileDigest { file: below(plate), sha256: digest::sha256(&path)? }];
    store.keep(&name(plate), key, &outputs, &(done.pixels.size().columns, done.found))
}

/// A plate that was worked on ahead for the same key.
pub fn find(store: &Kept, plate: &Plate, key: &str) -> Option<Rectified> {
    let (columns, found): Told = store.find(&name(plate), key)?;
    Rectified::from_spool(Spool::kept(&codes(store, plate), columns).ok()?, found).ok()
}

/// Clears away what is printed now.
pub fn forget(store: &Kept, plate: &Plate) {
    store.forget(&name(plate));
    let _ = std::fs::remove_file(codes(store, plate));
}
