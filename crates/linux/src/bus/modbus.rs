//! Remote terminals by Modbus TCP, on a thread of their own: a server that hangs hangs that thread, not a tick; what was read then ages.
//!
//! An exchange writes what was given last, then reads everything, each request with a time for its answer. Whatever is wrong (no answer, an
//! exception, an answer to another request, one of another length, bytes that are no answer) ends the connection, so that an answer that
//! comes too late is never taken for another's; then there is a new one, and the first thing it carries is what is given by then.
//!
//! Nothing is written twice: where the loop stands still, nothing goes out, and the terminals' own watchdog bites.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant as Clock};

use bellcrank_core::units::Instant;
use bellcrank_hal::Fault;
use crossbeam_queue::ArrayQueue;
use tokio::net::TcpStream;
use tokio::time::{MissedTickBehavior, interval, timeout};
use tokio_modbus::client::{Client, Context, tcp};
use tokio_modbus::{Request, Response, Slave};

use super::Bus;
use crate::mapping::{ModbusPlaces, Span};

/// Time from a connection that failed to the next.
const AGAIN: Duration = Duration::from_millis(100);
/// An exchange is late, and what is given may not get there, after this many times the time between two with their answers.
const LATE: u32 = 2;

/// The end of the bus that the loop has.
#[derive(Debug)]
pub struct ModbusBus {
    shared: Arc<Shared>,
    /// The newest image, and when it was begun to be read.
    newest: Option<(Box<[u8]>, Instant)>,
    late: Duration,
    thread: Option<JoinHandle<()>>,
}

/// What the two threads hand each other. Neither ever waits for the other.
#[derive(Debug)]
struct Shared {
    inputs: ArrayQueue<(Box<[u8]>, Instant)>,
    outputs: ArrayQueue<Box<[u8]>>,
    /// Images for either use, so that none is made in the loop.
    spare: ArrayQueue<Box<[u8]>>,
    /// When the last exchange that went well was begun, µs, plus 1; 0 before the first.
    exchanged: AtomicU64,
    /// Nothing that was given is still on its way.
    idle: AtomicBool,
    over: AtomicBool,
}

impl ModbusBus {
    /// Begins to exchange. `begin` is when the loop's time begins; with `write` off nothing is ever written.
    ///
    /// # Errors
    /// There is no thread to be had.
    pub fn start(places: &ModbusPlaces, begin: Clock, write: bool) -> std::io::Result<Self> {
        let shared = Arc::new(Shared {
            inputs: ArrayQueue::new(1),
            outputs: ArrayQueue::new(1),
            spare: ArrayQueue::new(8),
            exchanged: AtomicU64::new(0),
            idle: AtomicBool::new(true),
            over: AtomicBool::new(false),
        });
        let of_outputs = 2 * usize::from(places.holding_registers.count) + usize::from(places.coils.count).div_ceil(8);
        for _ in 0..4 {
            let _ = shared.spare.push(vec![0; of_outputs].into_boxed_slice());
        }
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let theirs = Exchanger {
            shared: Arc::clone(&shared),
            places: places.clone(),
            begin,
            write,
        };
        let thread = thread::Builder::new()
            .name("modbus".to_owned())
            .spawn(move || runtime.block_on(theirs.run()))?;
        Ok(Self {
            shared,
            newest: None,
            late: LATE * (places.every + places.answer),
            thread: Some(thread),
        })
    }

    /// The last exchange that went well is not too long ago.
    fn well(&self, now: Instant) -> bool {
        let late = u64::try_from(self.late.as_micros()).unwrap_or(u64::MAX);
        let last = self.shared.exchanged.load(Ordering::Acquire);
        last > 0 && now.as_ticks() <= (last - 1).saturating_add(late)
    }
}

impl Bus for ModbusBus {
    fn take(&mut self, inputs: &mut [u8], now: Instant) -> Result<Instant, Fault> {
        if let Some(newer) = self.shared.inputs.pop() {
            self.newest = Some(newer);
        }
        let (image, at) = self.newest.as_ref().ok_or(Fault::NoAnswer)?;
        inputs.copy_from_slice(image);
        if self.well(now) { Ok(*at) } else { Err(Fault::NoAnswer) }
    }

    fn give(&mut self, outputs: &[u8], now: Instant) -> Result<(), Fault> {
        if let Some(mut image) = self.shared.spare.pop() {
            image.copy_from_slice(outputs);
            self.shared.idle.store(false, Ordering::Release);
            if let Some(old) = self.shared.outputs.force_push(image) {
                let _ = self.shared.spare.push(old);
            }
        }
        if self.well(now) { Ok(()) } else { Err(Fault::NoAnswer) }
    }

    fn finish(&mut self) {
        for _ in 0..50 {
            if self.shared.idle.load(Ordering::Acquire) {
                return;
            }
            thread::sleep(Duration::from_millis(10));
        }
    }
}

impl Drop for ModbusBus {
    fn drop(&mut self) {
        self.shared.over.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // What it was thrown out by has been told on standard error.
            let _ = thread.join();
        }
    }
}

/// The other thread.
struct Exchanger {
    shared: Arc<Shared>,
    places: ModbusPlaces,
    begin: Clock,
    write: bool,
}

/// Why a connection came to its end. Which it was decides nothing.
#[derive(Debug)]
struct Ended;

impl Exchanger {
    async fn run(self) {
        while !self.over() {
            let _ = self.connection().await;
            tokio::time::sleep(AGAIN.min(4 * self.places.every)).await;
        }
    }

    fn over(&self) -> bool {
        self.shared.over.load(Ordering::Acquire)
    }

    /// One connection, for as long as it is well.
    async fn connection(&self) -> Result<(), Ended> {
        let (address, unit): (SocketAddr, _) = (self.places.address, Slave(self.places.unit));
        let stream = timeout(self.places.answer, TcpStream::connect(address))
            .await
            .map_err(|_| Ended)?;
        let stream = stream.map_err(|_| Ended)?;
        stream.set_nodelay(true).map_err(|_| Ended)?;
        let mut client = tcp::attach_slave(stream, unit);
        // What was given before there was a connection is too old for it.
        if let Some(old) = self.shared.outputs.pop() {
            let _ = self.shared.spare.push(old);
        }
        let mut beat = interval(self.places.every);
        beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        while !self.over() {
            beat.tick().await;
            if let Some(image) = self.shared.outputs.pop() {
                let written = if self.write {
                    self.write(&mut client, &image).await
                } else {
                    Ok(())
                };
                let _ = self.shared.spare.push(image);
                written?;
                self.shared
                    .idle
                    .store(self.shared.outputs.is_empty(), Ordering::Release);
            }
            let micros = u64::try_from(self.begin.elapsed().as_micros()).unwrap_or(u64::MAX);
            let image = self.read(&mut client).await?;
            self.shared
                .inputs
                .force_push((image.into_boxed_slice(), Instant::from_ticks(micros)));
            self.shared.exchanged.store(micros.saturating_add(1), Ordering::Release);
        }
        Ok(())
    }

    async fn write(&self, client: &mut Context, image: &[u8]) -> Result<(), Ended> {
        let (registers, coils) = (self.places.holding_registers, self.places.coils);
        let (words, bits) = image.split_at(2 * usize::from(registers.count));
        // Coils first: a relay that lets go lets go before its valve is told anything.
        if coils.count > 0 {
            let bits: Vec<bool> = (0..usize::from(coils.count))
                .map(|bit| bits[bit / 8] >> (bit % 8) & 1 == 1)
                .collect();
            let answer = self
                .ask(client, Request::WriteMultipleCoils(coils.first, bits.into()))
                .await?;
            holds(answer == Response::WriteMultipleCoils(coils.first, coils.count))?;
        }
        if registers.count > 0 {
            let words: Vec<u16> = words
                .chunks_exact(2)
                .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
                .collect();
            let answer = self
                .ask(client, Request::WriteMultipleRegisters(registers.first, words.into()))
                .await?;
            holds(answer == Response::WriteMultipleRegisters(registers.first, registers.count))?;
        }
        Ok(())
    }

    async fn read(&self, client: &mut Context) -> Result<Vec<u8>, Ended> {
        let Span { first, count } = self.places.input_registers;
        let mut image = Vec::new();
        if count > 0 {
            let answer = self.ask(client, Request::ReadInputRegisters(first, count)).await?;
            let Response::ReadInputRegisters(words) = answer else {
                return Err(Ended);
            };
            holds(words.len() == usize::from(count))?;
            image.extend(words.iter().flat_map(|word| word.to_be_bytes()));
        }
        let Span { first, count } = self.places.discretes;
        if count > 0 {
            let answer = self.ask(client, Request::ReadDiscreteInputs(first, count)).await?;
            let Response::ReadDiscreteInputs(bits) = answer else {
                return Err(Ended);
            };
            // An answer comes in whole bytes: what is beyond the last bit means nothing.
            holds(bits.len() == usize::from(count).next_multiple_of(8))?;
            let byte = |bits: &[bool]| bits.iter().rev().fold(0, |byte, bit| byte << 1 | u8::from(*bit));
            image.extend(bits[..usize::from(count)].chunks(8).map(byte));
        }
        Ok(image)
    }

    /// An answer in time that is none of the exceptions. That it answers this very request the client sees to.
    async fn ask(&self, client: &mut Context, request: Request<'_>) -> Result<Response, Ended> {
        match timeout(self.places.answer, client.call(request)).await {
            Ok(Ok(Ok(answer))) => Ok(answer),
            _ => Err(Ended),
        }
    }
}

fn holds(holds: bool) -> Result<(), Ended> {
    if holds { Ok(()) } else { Err(Ended) }
}

#[cfg(test)]
mod tests;
