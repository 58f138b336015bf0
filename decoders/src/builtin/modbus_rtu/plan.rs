//! What is asked of which unit: registers merged into as few reads as they
//! allow, and reads that tell an answer to them apart from a late one.

use std::sync::Arc;

use ampledger_types::Group;

use super::frame::{Request, What};
use super::number::{Kind, Order};
use crate::mapping::{Field, Groups};

/// At most so many probes a unit, so that they are told apart for a while.
const MOST_PROBES: usize = 8;

/// One instrument on the line.
#[derive(Debug)]
pub struct Unit {
    /// Its name; empty where there is only one.
    pub name: String,
    /// Its address, 1 to 247.
    pub address: u8,
    /// Reads whose answer is as long as that of no [`Block`] of this unit.
    pub probes: Vec<Request>,
}

/// One number among the registers of a unit.
#[derive(Debug)]
pub struct Register {
    /// Its name in the configuration.
    pub name: String,
    /// Where its reading goes.
    pub field: Field,
    /// The first of its registers.
    pub address: u16,
    /// What it is.
    pub kind: Kind,
    /// How it lies there.
    pub order: Order,
}

impl Register {
    /// The register behind its last; up to 65536.
    pub fn end(&self) -> u32 {
        u32::from(self.address) + u32::from(self.kind.registers())
    }
}

/// Registers that are read together, and make one sample.
#[derive(Debug)]
pub struct Block {
    /// Whose, as a place in the list of units.
    pub unit: usize,
    /// What is sent.
    pub request: Request,
    /// How often, microseconds.
    pub every_us: i64,
    /// The numbers in it.
    pub registers: Vec<Register>,
    /// What its readings are.
    pub group: Arc<Group>,
    /// The first register.
    start: u16,
    /// How many.
    count: u16,
}

/// How far registers are merged.
#[derive(Clone, Copy, Debug)]
pub struct Bounds {
    /// Registers that nobody asked for between two that are read together.
    pub gap: u16,
    /// Registers in one read.
    pub registers: u16,
}

/// Whose registers are merged, and how they are asked for.
#[derive(Clone, Copy, Debug)]
pub struct Asked {
    /// The unit's place in the list of units.
    pub unit: usize,
    /// Its address.
    pub address: u8,
    /// 3 or 4.
    pub function: u8,
    /// How often, microseconds.
    pub every_us: i64,
}

impl Block {
    /// Merges registers that are asked for alike, as few reads as `bounds`
    /// allow. A number is never parted.
    pub fn merged(
        mut registers: Vec<Register>,
        asked: Asked,
        bounds: Bounds,
        groups: &mut Groups,
    ) -> Vec<Block> {
        registers.sort_by_key(|register| register.address);
        let mut parts: Vec<(Vec<Register>, u32)> = Vec::new();
        for register in registers {
            let (address, end) = (u32::from(register.address), register.end());
            match parts.last_mut() {
                Some((part, last))
                    if address <= *last + u32::from(bounds.gap)
                        && end.max(*last) - u32::from(part[0].address)
                            <= u32::from(bounds.registers) =>
                {
                    *last = end.max(*last);
                    part.push(register);
                }
                _ => parts.push((vec![register], end)),
            }
        }
        let parts = parts.into_iter();
        parts.map(|(part, end)| Block::new(part, end, asked, groups)).collect()
    }

    fn new(registers: Vec<Register>, end: u32, asked: Asked, groups: &mut Groups) -> Block {
        let start = registers.first().map_or(0, |register| register.address);
        let count = (end - u32::from(start)) as u16;
        let channels = registers.iter().map(|register| register.field.channel.clone()).collect();
        let what = What::Read { function: asked.function, start, count };
        Block {
            unit: asked.unit,
            request: Request { unit: asked.address, what },
            every_us: asked.every_us,
            registers,
            group: groups.of(channels),
            start,
            count,
        }
    }

    /// The octets of one of its registers' numbers.
    pub fn octets<'a>(&self, register: &Register, data: &'a [u8]) -> &'a [u8] {
        let at = usize::from(register.address - self.start) * 2;
        data.get(at..at + usize::from(register.kind.registers()) * 2).unwrap_or(&[])
    }

    fn function(&self) -> u8 {
        self.request.function()
    }
}

/// Reads of a unit that no block of it can be mistaken for: the answer to a
/// read says nothing but its function and its length, so these differ. They
/// stay within what is read anyway, whole numbers first; only where a single
/// register is all there is, they go beyond it.
pub fn probes(address: u8, blocks: &[&Block]) -> Vec<Request> {
    let is_taken = |function: u8, count: u16| {
        blocks.iter().any(|b| (b.function(), b.count) == (function, count))
    };
    let within = |block: &Block| {
        let wholes: Vec<u16> = block
            .registers
            .iter()
            .map(|register| (register.end() - u32::from(block.start)) as u16)
            .collect();
        let count = block.count;
        wholes.into_iter().chain(1..count).filter(move |n| *n < count).collect::<Vec<u16>>()
    };
    let beyond = |block: &Block| -> Vec<u16> {
        let room = 65536 - u32::from(block.start);
        (block.count + 1..=125).filter(|n| u32::from(*n) <= room).collect()
    };
    let mut found: Vec<(u8, u16, u16)> = Vec::new();
    let inside = blocks.iter().flat_map(|b| within(b).into_iter().map(move |n| (b, n)));
    let outside = blocks.iter().flat_map(|b| beyond(b).into_iter().map(move |n| (b, n)));
    for (block, count) in inside.chain(outside) {
        let function = block.function();
        let is_inside = count < block.count;
        let is_new = !found.iter().any(|(f, _, n)| (*f, *n) == (function, count));
        let is_wanted = is_inside || found.len() < 2;
        if found.len() < MOST_PROBES && is_wanted && is_new && !is_taken(function, count) {
            found.push((function, block.start, count));
        }
    }
    let request = |(function, start, count)| Request {
        unit: address,
        what: What::Read { function, start, count },
    };
    found.into_iter().map(request).collect()
}
