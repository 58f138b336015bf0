//! `ampledger tag`: hangs words, a pack's name or a note on a session.

use ampledger_report::{LIMIT, SAME_PACK};
use ampledger_types::Session;
use ampledger_types::api::TagRequest;
use ampledger_types::result::Limit;
use clap::Args;

use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::screen;

/// Hang tags, a pack's name or a note on a session
///
/// A tag is a word, or a key with a value; a key that is there already gets
/// the new value. A note goes into the record at the present time.
///
/// A pack that was out of sight between its charge and its discharge could have
/// been swapped, and nothing proves it full. If you know that it is the same,
/// say so with --same-pack (it is the tag `same-pack`, and can be taken off).
#[derive(Args, Debug)]
#[command(name = "tag")]
pub struct TagSession {
    /// Number, pack's label, or `last`
    pub session: String,
    /// Tags to hang on: `word` or `key=value`
    #[arg(value_name = "TAG")]
    pub tags: Vec<String>,
    /// Key of a tag to take off; may be given again
    #[arg(long, value_name = "KEY")]
    pub remove: Vec<String>,
    /// What this session's capacity is held against, whatever is said of the
    /// pack: `new` (100 % of the rating), `used` (80 %), or percent
    #[arg(long, value_name = "LIMIT")]
    pub limit: Option<Limit>,
    /// Say that the pack is the one that was charged, though it was out of
    /// sight
    #[arg(long)]
    pub same_pack: bool,
    /// Name the pack that the session is about, or name another
    #[arg(long, value_name = "LABEL")]
    pub pack: Option<String>,
    /// Write a note into the record
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

impl TagSession {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let mut add = self.tags;
        add.extend(self.same_pack.then(|| SAME_PACK.to_owned()));
        add.extend(self.limit.map(|limit| format!("{LIMIT}={limit}")));
        let request = TagRequest { add, remove: self.remove, pack: self.pack, note: self.note };
        if request == TagRequest::default() {
            let message =
                "nothing to do: give a tag, --remove, --same-pack, --limit, --pack or --note";
            return Err(Failure::Usage(message.to_owned()));
        }
        let path = format!("/v1/sessions/{}/tags", segment(&self.session));
        let session: Session = context.client.post(&path, &request)?;
        match context.json {
            true => screen::json(&session)?,
            false => screen::say(&told(&session, request.note.is_some()))?,
        }
        Ok(Exit::Good)
    }
}

fn told(session: &Session, noted: bool) -> String {
    let pack = session.pack.as_deref().unwrap_or("a pack without a name yet");
    let tags: Vec<String> = session.tags.iter().map(ToString::to_string).collect();
    let tags = match tags.is_empty() {
        true => "no tags".to_owned(),
        false => tags.join(", "),
    };
    let note = if noted { " The note is in the record." } else { "" };
    format!("Session {} about {pack}: {tags}.{note}", session.id)
}
