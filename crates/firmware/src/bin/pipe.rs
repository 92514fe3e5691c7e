//! The core in lockstep with a computer, over two named pipes.

#![no_std]
#![no_main]

use bellcrank_core::machine::image::IMAGE_MAX;
use bellcrank_firmware::{Pipe, Timer, paint_stack};
use bellcrank_hal::exchange::serve;
use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use {defmt_semihosting as _, panic_semihosting as _};

#[entry]
fn main() -> ! {
    paint_stack();
    let clock = Timer::start(None);
    match Pipe::open() {
        Some(mut pipe) => {
            defmt::info!("the core waits for a machine");
            let Ok(()) = serve(&mut pipe, &clock, &mut [0; IMAGE_MAX]);
            defmt::info!("the other end has left");
            debug::exit(debug::EXIT_SUCCESS);
        }
        None => {
            defmt::error!("the pipes cannot be opened");
            debug::exit(debug::EXIT_FAILURE);
        }
    }
    loop {
        cortex_m::asm::wfi();
    }
}
