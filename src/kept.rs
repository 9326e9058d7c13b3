//! What an earlier run left in OUT that still holds, so that a run goes on where the last one stopped and does only what changed.
//!
//! In: what a piece of work depends on, as one key (settings as text, files by their digests, the program by its own). Out: its outcome,
//! if the same work was done before and every file that it wrote still is what it was. Notes about kept work lie in OUT/.hyaline, a hidden folder
//! that packages leave out; without it everything is done anew. Whatever cannot be read there is as good as not there.
//! Also keeps a second run away from a folder that one is working on.

use crate::archive::{atomic, digest, hold};
use crate::error::{Error, Fault, InFile};
use crate::frame::CaptureProfile;
use crate::notes::{Plate, Session};
use crate::record::FileDigest;
use rayon::prelude::*;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::path::{Path, PathBuf};

/// The hidden folder in OUT.
pub const FOLDER: &str = ".hyaline";
/// In it, what a run holds while it works.
const HELD: &str = "held";

/// Kept work of one folder of results. While it lives, no other run may work there.
pub struct Kept {
    out: PathBuf,
    place: Place,
    folder: PathBuf,
    /// Whether to look at what is there.
    fresh: bool,
    _held: Vec<File>,
}

/// One piece of work: what it depended on, what it wrote (below OUT), what it told.
#[derive(Serialize, Deserialize)]
struct Work<T> {
    key: String,
    outputs: Vec<FileDigest>,
    told: T,
}

impl Kept {
    /// Takes hold of OUT, which must be there. `fresh`: nothing that was kept is used.
    pub fn open(out: &Path, fresh: bool) -> Result<Kept, Error> {
        Kept::holding(out, fresh, |folder| Ok(hold::hold(&folder.join(HELD), out)?.into_iter().collect()))
    }

    /// Takes hold of the works named alone, beside runs that hold others. Nothing else in OUT may be touched.
    pub fn beside(out: &Path, fresh: bool, works: &[String]) -> Result<Kept, Error> {
        Kept::holding(out, fresh, |folder| {
            let shared = hold::share(&folder.join(HELD), out)?;
            let own = works.iter().map(|work| hold::hold(&folder.join(format!("{HELD}-{work}")), out));
            let own = own.collect::<Result<Vec<_>, Error>>()?;
            Ok(shared.into_iter().chain(own.into_iter().flatten()).collect())
        })
    }

    fn holding(out: &Path, fresh: bool, hold: impl FnOnce(&Path) -> Result<Vec<File>, Error>) -> Result<Kept, Error> {
        let folder = out.join(FOLDER);
        std::fs::create_dir_all(&folder).in_file(&folder)?;
        let held = hold(&folder)?;
        Ok(Kept { out: out.to_path_buf(), place: place(out).in_file(out)?, folder, fresh, _held: held })
    }

    /// Fails where OUT is no longer the folder that it was at first: a drive that was pulled out leaves an empty folder behind, and what
    /// is written there would lie hidden once it is back.
    pub fn still_there(&self) -> Result<(), Error> {
        if place(&self.out).is_ok_and(|now| now == self.place) {
            return Ok(());
        }
        let what = "it is no longer the folder that the run began in";
        Err(Fault::new(what, "connect its drive again and run once more: what is done is kept")).in_file(&self.out)
    }

    /// What work named `name` told last, for whatever key, if the files that it wrote are still there.
    pub fn lying<T: DeserializeOwned>(&self, name: &str) -> Option<T> {
        let work: Work<T> = serde_json::from_slice(&std::fs::read(self.path(name)).ok()?).ok()?;
        work.outputs.iter().all(|f| self.out.join(&f.file).is_file()).then_some(work.told)
    }

    /// What work named `name` wrote last.
    pub fn written(&self, name: &str) -> Vec<FileDigest> {
        let work = std::fs::read(self.path(name)).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok());
        work.map_or_else(Vec::new, |work: Work<serde_json::Value>| work.outputs)
    }

    /// What work named `name` told, if it stands as it was done for `key`.
    pub fn find<T: DeserializeOwned>(&self, name: &str, key: &str) -> Option<T> {
        if self.fresh {
            return None;
        }
        let bytes = std::fs::read(self.path(name)).ok()?;
        let work: Work<T> = serde_json::from_slice(&bytes).ok()?;
        let stands = |f: &FileDigest| digest::sha256(&self.out.join(&f.file)).is_ok_and(|now| now == f.sha256);
        (work.key == key && work.outputs.par_iter().all(stands)).then_some(work.told)
    }

    /// Keeps what was told by work that wrote `outputs`.
    pub fn keep<T: Serialize>(&self, name: &str, key: &str, outputs: &[FileDigest], told: &T) -> Result<(), Error> {
        let path = self.path(name);
        let work = Work { key: key.to_string(), outputs: outputs.to_vec(), told };
        let json =
            serde_json::to_vec(&work).map_err(|e| Error::new(&path, Fault::new(e.to_string(), "run it again")))?;
        atomic::write_whole(&path, &json)
    }

    /// Forgets what was told by work named `name`.
    pub fn forget(&self, name: &str) {
        let _ = std::fs::remove_file(self.path(name));
    }

    /// The folder that kept work is of.
    pub fn out(&self) -> &Path {
        &self.out
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.join(format!("{name}.json"))
    }
}

/// Fails where a run is working on OUT now.
pub fn free(out: &Path) -> Result<(), Error> {
    hold::free(&out.join(FOLDER).join(HELD), out)
}

/// What tells a folder from another one at the same path: its drive and its number there.
type Place = (u64, u64);

fn place(folder: &Path) -> std::io::Result<Place> {
    let about = folder.metadata()?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        Ok((about.dev(), about.ino()))
    }
    #[cfg(not(unix))]
    Ok((u64::from(about.is_dir()), 0))
}

/// Digests of all files that a session names, each read once, and of the program itself.
#[derive(Default)]
pub struct Inputs {
    files: BTreeMap<PathBuf, String>,
    /// Those of them that are capture and tone profiles; built-in ones are the program's.
    pub profiles: Vec<PathBuf>,
    program: String,
}

impl Inputs {
    /// A file that cannot be read has none; the work that needs it will say so.
    pub fn read(session: &Session, plates: &[&Plate]) -> Inputs {
        let copy = &session.copy;
        let capture = session.profile_path(&copy.profile);
        let capture = capture.or_else(|| CaptureProfile::file(&copy.profile, &session.folder));
        let tone = session.profile_path(&session.positive.tone);
        let profiles: Vec<PathBuf> = capture.into_iter().chain(tone).collect();
        let files: BTreeSet<&PathBuf> = (copy.blanks.iter().chain(&copy.darks))
            .chain(copy.opaque.iter().map(|o| &o.capture))
            .chain(plates.iter().flat_map(|p| p.captures.iter().flatten()))
            .chain(&profiles)
            .collect();
        let files: Vec<&PathBuf> = files.into_iter().collect();
        let files = files.par_iter().filter_map(|f| Some(((*f).clone(), digest::sha256(f).ok()?))).collect();
        Inputs { files, profiles, program: program() }
    }

    /// As records name them.
    pub fn of(&self, session: &Session, file: &Path) -> Result<FileDigest, Error> {
        let sha256 = self.files.get(file).map_or_else(|| digest::sha256(file), |known| Ok(known.clone()))?;
        Ok(FileDigest { file: session.relative(file), sha256 })
    }

    /// What a result depends on beside its plate: the program, the light, the settings.
    pub fn light_key(&self, session: &Session, settings: &str) -> String {
        let copy = &session.copy;
        let opaque = copy.opaque.as_ref().map(|o| (self.named(session, [&o.capture]), o.rect_px));
        let text = format!(
            "{}\n{settings}\n{:?}\n{:?}\n{:?}\n{opaque:?}",
            self.program,
            self.named(session, &self.profiles),
            self.named(session, &copy.blanks),
            self.named(session, &copy.darks),
        );
        digest::sha256_of(text.as_bytes())
    }

    /// What a plate's results depend on; `light` is [`Inputs::light_key`].
    pub fn plate_key(&self, session: &Session, plate: &Plate, light: &str) -> String {
        let captures: Vec<_> = plate.captures.iter().map(|view| self.named(session, view)).collect();
        // The line at which a plate stands in the notes changes nothing.
        let Plate { id, line: _, size, captures: _, corners_px, rotate, notes, exposure, development } = plate;
        let text = format!(
            "{light}\n{:?}\n{:?} {:?}\n{:?}\n{:?}\n{captures:?}\n{:?}",
            session.about,
            session.copy.emulsion,
            session.copy.emulsion_stated,
            session.base,
            session.positive,
            (id, size, corners_px, rotate, notes, exposure, development),
        );
        digest::sha256_of(text.as_bytes())
    }

    fn named<'a>(
        &self,
        session: &Session,
        files: impl IntoIterator<Item = &'a PathBuf>,
    ) -> Vec<(String, Option<&String>)> {
        files.into_iter().map(|f| (session.relative(f), self.files.get(f))).collect()
    }
}

/// The program, by its length and when it was made: another build may do the same work otherwise.
fn program() -> String {
    let own = std::env::current_exe().and_then(std::fs::metadata);
    let told = own.and_then(|m| Ok((m.len(), m.modified()?)));
    format!("{} {told:?}", env!("CARGO_PKG_VERSION"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::digest::sha256_of;

    #[test]
    fn work_stands_only_for_its_key_and_its_files() {
        let out = tempfile::tempdir().unwrap();
        let kept = Kept::open(out.path(), false).unwrap();
        std::fs::write(out.path().join("a"), "1").unwrap();
        let outputs = [FileDigest { file: "a".into(), sha256: sha256_of(b"1") }];
        kept.keep("plate-K-01", "key", &outputs, &0.1f64).unwrap();
        assert_eq!(kept.find::<f64>("plate-K-01", "key"), Some(0.1));
        assert_eq!(kept.find::<f64>("plate-K-01", "other"), None);
        assert_eq!(kept.find::<f64>("plate-K-02", "key"), None);
        std::fs::write(out.path().join("a"), "2").unwrap();
        assert_eq!(kept.find::<f64>("plate-K-01", "key"), None);
        std::fs::write(out.path().join("a"), "1").unwrap();
        drop(kept);
        assert_eq!(Kept::open(out.path(), true).unwrap().find::<f64>("plate-K-01", "key"), None);
        std::fs::write(out.path().join(".hyaline/plate-K-01.json"), "{ cut off").unwrap();
        assert_eq!(Kept::open(out.path(), false).unwrap().find::<f64>("plate-K-01", "key"), None);
    }

    /// A drive that is pulled out leaves its empty mount point; here another folder takes the place.
    #[cfg(unix)]
    #[test]
    fn a_folder_that_has_gone_is_missed() {
        let above = tempfile::tempdir().unwrap();
        let out = above.path().join("out");
        std::fs::create_dir(&out).unwrap();
        let kept = Kept::open(&out, false).unwrap();
        kept.still_there().unwrap();
        std::fs::rename(&out, above.path().join("away")).unwrap();
        assert!(kept.still_there().is_err());
        std::fs::create_dir(&out).unwrap();
        let told = kept.still_there().unwrap_err().to_string();
        assert!(told.contains("connect its drive"), "{told}");
    }

    #[test]
    fn runs_for_single_works_go_side_by_side() {
        let out = tempfile::tempdir().unwrap();
        let beside = |work: &str| Kept::beside(out.path(), false, &[work.to_string()]);
        let first = beside("ahead-K-01").unwrap();
        let second = beside("ahead-K-02").unwrap();
        assert!(beside("ahead-K-01").is_err() && Kept::open(out.path(), false).is_err());
        drop((first, second));
        let _alone = Kept::open(out.path(), false).unwrap();
        assert!(beside("ahead-K-03").is_err());
    }

    #[test]
    fn a_second_run_is_kept_away_and_told_of_the_first() {
        let out = tempfile::tempdir().unwrap();
        let first = Kept::open(out.path(), false).unwrap();
        let Err(refused) = Kept::open(out.path(), false) else { panic!("two hold one folder") };
        assert!(refused.to_string().contains(&std::process::id().to_string()), "{refused}");
        drop(first);
        assert!(Kept::open(out.path(), false).is_ok());
    }
}
