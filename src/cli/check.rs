//! `hyaline check SESSION`: reads notes and frames, says what is wrong or risky, writes nothing.

use super::{Common, Outcome, SessionArgs};
use crate::batch;
use crate::notes;

#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    pub session: SessionArgs,
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    let session = match notes::load(&args.session.session) {
        Ok(session) => session,
        Err(errors) => return Outcome::failed(errors),
    };
    let checked = match batch::check(&session, &args.session.plates, common.silent()) {
        Ok(checked) => checked,
        Err(errors) => return Outcome::failed(errors),
    };
    let clean = checked.warnings.is_empty() && checked.errors.is_empty();
    let summary = clean.then(|| format!("{} plates: nothing stands against digitizing them\n", checked.plates));
    let warnings: Vec<_> = checked
        .warnings
        .iter()
        .map(|(of, w)| serde_json::json!({ "of": of, "code": w.code, "message": w.message }))
        .collect();
    Outcome {
        summary: summary.unwrap_or_default(),
        text: checked.warnings.iter().map(|(of, w)| format!("{of}  {}: {}\n", w.code, w.message)).collect(),
        json: serde_json::json!({ "plates": checked.plates, "warnings": warnings }),
        errors: checked.errors,
    }
}
