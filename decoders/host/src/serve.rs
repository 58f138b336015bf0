//! Answers what it is asked, until the other side closes its pipe: one library,
//! one decoder, batch after batch. A batch that makes too much is acknowledged
//! in part, and the rest comes again.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;
use std::time::Instant;

use ampledger_boundary::wire::{
    self, Described, FromHost, Garbled, Groups, HEAD_BYTES, Numbered, ToHost, WIRE_VERSION,
};
use ampledger_decoders::{Command, Decoder, DecoderConfig, Driver, Input, Output};
use sha2::{Digest, Sha256};

use crate::adapter::{Adapter, Broken};
use crate::fence::{self, Pipes};
use crate::library::Library;
use crate::trust;

/// So many outputs of a batch, and the rest of its inputs waits.
const ENOUGH_OUTPUTS: usize = 8192;
/// Or so many values and bytes in them.
const ENOUGH_BYTES: usize = 2 << 20;

/// One side of a conversation.
struct Talk {
    pipes: Pipes,
    body: Vec<u8>,
    out: Vec<u8>,
}

impl Talk {
    /// Reads the next message; `None` where the other side has closed.
    fn receive(&mut self) -> Result<Option<[u8; HEAD_BYTES]>, String> {
        let mut head = [0; HEAD_BYTES];
        match self.pipes.from.read_exact(&mut head) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
            Err(error) => return Err(told(error)),
        }
        let length = wire::length(head).map_err(|e| e.0)?;
        self.body.resize(length, 0);
        self.pipes.from.read_exact(&mut self.body).map_err(told)?;
        Ok(Some(head))
    }

    fn say(&mut self, message: &FromHost<'_>) -> Result<(), String> {
        say(&mut self.pipes.to, &mut self.out, message)
    }
}

fn say(to: &mut File, out: &mut Vec<u8>, message: &FromHost<'_>) -> Result<(), String> {
    wire::encode(message, out).map_err(|e| e.0)?;
    to.write_all(out).map_err(told)
}

fn told(error: io::Error) -> String {
    format!("its pipe fails: {error}")
}

/// Serves one plugin until the other side closes.
pub fn serve(pipes: Pipes) -> Result<(), String> {
    let mut talk = Talk { pipes, body: Vec::new(), out: Vec::new() };
    talk.say(&FromHost::Hello { wire: WIRE_VERSION })?;
    let Some(head) = talk.receive()? else { return Ok(()) };
    let opened = match wire::decode(head, &talk.body) {
        Ok(ToHost::Open { wire: WIRE_VERSION, file, config, memory_bytes }) => {
            open(Path::new(file.as_ref()), &config, memory_bytes)
        }
        Ok(_) => Err("it was not asked to open a plugin of its own version".to_owned()),
        Err(Garbled(why)) => Err(why),
    };
    let (driver, broken, described) = match opened {
        Ok(opened) => opened,
        Err(reason) => return talk.say(&FromHost::Refused { reason }),
    };
    talk.say(&FromHost::Opened(described))?;
    Serving { driver, broken, groups: Groups::default() }.answer_all(&mut talk)
}

type Opened = (Driver, Broken, Described);

fn open(file: &Path, config: &str, memory_bytes: u64) -> Result<Opened, String> {
    let file = trust::checked(file)?;
    let config: DecoderConfig =
        serde_json::from_str(config).map_err(|e| format!("its configuration: {e}"))?;
    let digest = digest(&file)?;
    let mut fences = fence::before_loading(memory_bytes)?;
    let library = Library::load(&file)?;
    let adapter = Adapter::open(&library, &config).map_err(|problems| {
        let told: Vec<String> = problems.iter().map(ToString::to_string).collect();
        told.join("; ")
    })?;
    fences.extend(fence::after_loading());
    let broken = adapter.broken();
    let described = Described {
        name: library.name.clone(),
        version: format!("{} (sha256 {digest})", library.version),
        summary: library.summary.clone(),
        integrity: library.integrity,
        abi_version: ampledger_plugin::abi::ABI_VERSION,
        saves: library.functions.save.is_some(),
        fences,
    };
    Ok((Driver::new(Box::new(adapter) as Box<dyn Decoder>), broken, described))
}

/// The beginning of the file's SHA-256: two builds of one version are two.
fn digest(file: &Path) -> Result<String, String> {
    let read = || -> io::Result<Sha256> {
        let (mut file, mut hash) = (File::open(file)?, Sha256::new());
        io::copy(&mut file, &mut hash)?;
        Ok(hash)
    };
    let hash = read().map_err(|error| format!("{} cannot be read: {error}", file.display()))?;
    Ok(hash.finalize().iter().take(6).map(|byte| format!("{byte:02x}")).collect())
}

struct Serving {
    driver: Driver,
    broken: Broken,
    groups: Groups,
}

impl Serving {
    fn answer_all(&mut self, talk: &mut Talk) -> Result<(), String> {
        while let Some(head) = talk.receive()? {
            let Talk { pipes, body, out } = &mut *talk;
            match wire::decode(head, body).map_err(|e| e.0)? {
                ToHost::Batch { number, inputs } => {
                    if !self.batch(number, &inputs, |m| say(&mut pipes.to, out, m))? {
                        return Ok(());
                    }
                }
                ToHost::Save => {
                    let state = self.driver.snapshot();
                    if let Some(reason) = self.broken.get() {
                        let reason = reason.clone();
                        return talk.say(&FromHost::Broken { number: 0, reason });
                    }
                    talk.say(&FromHost::Saved(Some(state.as_slice().into())))?;
                }
                ToHost::Restore { state } => {
                    let result = self.driver.restore(state).map_err(|e| e.to_string());
                    talk.say(&FromHost::Restored(result))?;
                }
                ToHost::Open { .. } => return Err("it was asked to open twice".to_owned()),
            }
        }
        Ok(())
    }

    /// Answers a batch; `false` where the plugin cannot go on.
    fn batch(
        &mut self,
        batch: u64,
        inputs: &[Numbered<'_>],
        say: impl FnOnce(&FromHost<'_>) -> Result<(), String>,
    ) -> Result<bool, String> {
        let began = Instant::now();
        let (mut outputs, mut size) = (Vec::new(), 0);
        let mut acknowledged = 0;
        for input in inputs {
            let frame = input.to_frame();
            let mut command: Option<Command> = None;
            acknowledged = frame.number;
            // A command that is no JSON is passed over, as in the daemon.
            let Ok(input) = Input::from_frame(&frame, &mut command) else { continue };
            let said = self.driver.give_again(frame.t_us, input);
            outputs.extend(said.map(|output| (frame.number, output)).inspect(|o| size += bytes(o)));
            if let Some(reason) = self.broken.get() {
                let (number, reason) = (frame.number, reason.clone());
                return say(&FromHost::Broken { number, reason }).map(|()| false);
            }
            if outputs.len() >= ENOUGH_OUTPUTS || size >= ENOUGH_BYTES {
                break;
            }
        }
        let spent_ns = u64::try_from(began.elapsed().as_nanos()).unwrap_or(u64::MAX);
        let mut groups = Vec::new();
        let said = outputs.iter().map(|(n, o)| (*n, self.groups.to_wire(o, &mut groups))).collect();
        say(&FromHost::Said { batch, acknowledged, spent_ns, groups, outputs: said })?;
        Ok(true)
    }
}

/// Roughly how much an output takes on the wire.
fn bytes((_, output): &(u64, Output)) -> usize {
    match output {
        Output::Sample(sample) => 16 + 8 * sample.values.len(),
        Output::Complaint(complaint) => 16 + complaint.detail.len(),
        Output::Identity { text, .. } => 16 + text.len(),
        Output::Send { bytes, .. } => 16 + bytes.len(),
        Output::CommandDone { result: Ok(value), .. } => 16 + value.to_string().len(),
        Output::CommandDone { result: Err(why), .. } => 16 + why.len(),
        Output::Drain { .. } | Output::Wake(_) => 16,
    }
}
