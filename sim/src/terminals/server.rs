//! A Modbus TCP server with the terminals of a mapping: input registers and discrete inputs to read, holding registers and coils to write.
//!
//! Of several connections the newest may write. So a request that was on its way when its connection was given up, and is looked at late, is
//! refused.

use std::future::{Ready, ready};
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bellcrank_linux::mapping::{ModbusPlaces, Span};
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server as TcpServer, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, Request, Response};

use super::End;

/// The server. It ends with this.
#[derive(Debug)]
pub struct Server {
    places: Arc<ModbusPlaces>,
    images: Arc<Mutex<Images>>,
    _runtime: Runtime,
}

#[derive(Debug)]
struct Images {
    inputs: Vec<u8>,
    outputs: Vec<u8>,
    /// How many requests have written.
    writes: u64,
}

/// What one connection is served by.
struct Connection {
    places: Arc<ModbusPlaces>,
    images: Arc<Mutex<Images>>,
    newest: Arc<AtomicU64>,
    number: u64,
}

impl Server {
    /// Listens from now on.
    ///
    /// # Errors
    /// Nothing can listen at the address.
    pub fn start(places: &ModbusPlaces) -> io::Result<Self> {
        let bytes = |words: Span, bits: Span| 2 * usize::from(words.count) + usize::from(bits.count).div_ceil(8);
        let images = Arc::new(Mutex::new(Images {
            inputs: vec![0; bytes(places.input_registers, places.discretes)],
            outputs: vec![0; bytes(places.holding_registers, places.coils)],
            writes: 0,
        }));
        let places = Arc::new(places.clone());
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()?;
        // Bound here, so that an address that is taken is told at once. One that a server before this had is free again at once.
        let listener = runtime.block_on(TcpListener::bind(places.address))?;
        let newest = Arc::new(AtomicU64::new(0));
        let (theirs, of_images) = (Arc::clone(&places), Arc::clone(&images));
        runtime.spawn(async move {
            let on_connected = |stream: tokio::net::TcpStream, address| {
                let (places, images, newest) = (Arc::clone(&theirs), Arc::clone(&of_images), Arc::clone(&newest));
                async move {
                    stream.set_nodelay(true)?;
                    accept_tcp_connection(stream, address, |_| {
                        let number = newest.fetch_add(1, Ordering::AcqRel) + 1;
                        Ok(Some(Connection {
                            places: Arc::clone(&places),
                            images: Arc::clone(&images),
                            newest: Arc::clone(&newest),
                            number,
                        }))
                    })
                }
            };
            // A connection that ends, however it does, ends nothing else.
            let _ = TcpServer::new(listener).serve(&on_connected, |_| {}).await;
        });
        Ok(Self {
            places,
            images,
            _runtime: runtime,
        })
    }
}

impl End for Server {
    fn show(&mut self, inputs: &[u8]) -> io::Result<()> {
        locked(&self.images).inputs.copy_from_slice(inputs);
        Ok(())
    }

    fn told(&mut self, outputs: &mut [u8]) -> io::Result<u64> {
        let images = locked(&self.images);
        outputs.copy_from_slice(&images.outputs);
        debug_assert_eq!(outputs.len(), images.outputs.len(), "{:?}", self.places);
        Ok(images.writes)
    }
}

impl Service for Connection {
    type Request = Request<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        ready(self.answer(&request))
    }
}

impl Connection {
    fn answer(&self, request: &Request<'_>) -> Result<Response, ExceptionCode> {
        let mut images = locked(&self.images);
        let ModbusPlaces {
            input_registers,
            discretes,
            holding_registers,
            coils,
            ..
        } = *self.places;
        match *request {
            Request::ReadInputRegisters(first, count) => {
                let words = within(input_registers, first, count)?;
                Ok(Response::ReadInputRegisters(
                    words.map(|word| get_word(&images.inputs, word)).collect(),
                ))
            }
            Request::ReadHoldingRegisters(first, count) => {
                let words = within(holding_registers, first, count)?;
                Ok(Response::ReadHoldingRegisters(
                    words.map(|word| get_word(&images.outputs, word)).collect(),
                ))
            }
            Request::ReadDiscreteInputs(first, count) => {
                let bits = within(discretes, first, count)?;
                let after = 16 * usize::from(input_registers.count);
                Ok(Response::ReadDiscreteInputs(
                    bits.map(|bit| get_bit(&images.inputs, after + bit)).collect(),
                ))
            }
            Request::ReadCoils(first, count) => {
                let bits = within(coils, first, count)?;
                let after = 16 * usize::from(holding_registers.count);
                Ok(Response::ReadCoils(
                    bits.map(|bit| get_bit(&images.outputs, after + bit)).collect(),
                ))
            }
            Request::WriteMultipleRegisters(first, ref words) => {
                let count = u16::try_from(words.len()).unwrap_or(u16::MAX);
                let places = within(holding_registers, first, count)?;
                self.may_write()?;
                for (place, word) in places.zip(words.iter()) {
                    images.outputs[2 * place..2 * place + 2].copy_from_slice(&word.to_be_bytes());
                }
                images.writes += 1;
                Ok(Response::WriteMultipleRegisters(first, count))
            }
            Request::WriteMultipleCoils(first, ref bits) => {
                let count = u16::try_from(bits.len()).unwrap_or(u16::MAX);
                let places = within(coils, first, count)?;
                self.may_write()?;
                let after = 16 * usize::from(holding_registers.count);
                for (place, set) in places.zip(bits.iter()) {
                    let (byte, bit) = ((after + place) / 8, (after + place) % 8);
                    images.outputs[byte] = images.outputs[byte] & !(1 << bit) | u8::from(*set) << bit;
                }
                images.writes += 1;
                Ok(Response::WriteMultipleCoils(first, count))
            }
            _ => Err(ExceptionCode::IllegalFunction),
        }
    }

    fn may_write(&self) -> Result<(), ExceptionCode> {
        if self.newest.load(Ordering::Acquire) == self.number {
            Ok(())
        } else {
            Err(ExceptionCode::ServerDeviceBusy)
        }
    }
}

/// Addresses of a request, counted from the first of those that there are.
fn within(there: Span, first: u16, count: u16) -> Result<std::ops::Range<usize>, ExceptionCode> {
    let from = first
        .checked_sub(there.first)
        .ok_or(ExceptionCode::IllegalDataAddress)?;
    let (from, to) = (usize::from(from), usize::from(from) + usize::from(count));
    if to <= usize::from(there.count) {
        Ok(from..to)
    } else {
        Err(ExceptionCode::IllegalDataAddress)
    }
}

fn get_word(image: &[u8], word: usize) -> u16 {
    u16::from_be_bytes([image[2 * word], image[2 * word + 1]])
}

fn get_bit(image: &[u8], bit: usize) -> bool {
    image[bit / 8] >> (bit % 8) & 1 == 1
}

/// A connection that was thrown out leaves images that are whole all the same: bytes.
fn locked(images: &Mutex<Images>) -> MutexGuard<'_, Images> {
    images.lock().unwrap_or_else(PoisonError::into_inner)
}
