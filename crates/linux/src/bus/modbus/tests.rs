//! The client against servers that are made of bytes: sound ones, and ones that answer anything.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};

use super::*;

/// How a server answers.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Answers {
    Well,
    /// With the number of another request.
    OtherRequest,
    /// With more registers than were asked for.
    TooMany,
    /// With fewer.
    TooFew,
    /// With a function that was not asked for.
    OtherFunction,
    /// With an exception.
    Exception,
    /// With bytes that mean nothing.
    Noise,
    /// Not at all.
    Never,
    /// By ending the connection.
    Closes,
}

/// A server that answers so; `asked` counts the connections.
fn server(answers: Arc<std::sync::Mutex<Answers>>) -> (SocketAddr, Arc<AtomicU64>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let connections = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&connections);
    thread::spawn(move || {
        for stream in listener.incoming() {
            counted.fetch_add(1, Ordering::SeqCst);
            let answers = Arc::clone(&answers);
            thread::spawn(move || serve(stream.unwrap(), &answers));
        }
    });
    (address, connections)
}

fn serve(mut stream: TcpStream, answers: &std::sync::Mutex<Answers>) {
    let mut head = [0; 8];
    while stream.read_exact(&mut head).is_ok() {
        let length = usize::from(u16::from_be_bytes([head[4], head[5]]));
        let mut rest = vec![0; length - 2];
        if stream.read_exact(&mut rest).is_err() {
            return;
        }
        let how = *answers.lock().unwrap();
        let (function, count) = (head[7], u16::from_be_bytes([rest[2], rest[3]]));
        let words = match how {
            Answers::TooMany => count + 1,
            Answers::TooFew => count - 1,
            _ => count,
        };
        let mut pdu = vec![function];
        match (how, function) {
            (Answers::Never, _) => continue,
            (Answers::Closes, _) => return,
            (Answers::Exception, _) => pdu = vec![function | 0x80, 2],
            (Answers::OtherFunction, _) => pdu = vec![3, 2, 0, 0],
            (_, 4) => {
                pdu.push(u8::try_from(2 * words).unwrap());
                pdu.extend((0..words).flat_map(|word| (0x0100 + word).to_be_bytes()));
            }
            (_, 2) => pdu.extend([1, 0b0000_0101]),
            // What was written is answered with where and how many.
            _ => pdu.extend(&rest[..4]),
        }
        let mut number = u16::from_be_bytes([head[0], head[1]]);
        if how == Answers::OtherRequest {
            number = number.wrapping_add(7);
        }
        let mut answer = number.to_be_bytes().to_vec();
        answer.extend([0, 0]);
        answer.extend(u16::try_from(pdu.len() + 1).unwrap().to_be_bytes());
        answer.push(head[6]);
        answer.extend(&pdu);
        if how == Answers::Noise {
            answer = (0..23_u8).map(|byte| byte.wrapping_mul(101).wrapping_add(13)).collect();
        }
        if stream.write_all(&answer).is_err() {
            return;
        }
    }
}

fn places(address: SocketAddr) -> ModbusPlaces {
    let span = |first, count| Span { first, count };
    ModbusPlaces {
        address,
        unit: 1,
        input_registers: span(10, 3),
        discretes: span(0, 3),
        holding_registers: span(5, 2),
        coils: span(0, 2),
        every: Duration::from_millis(2),
        answer: Duration::from_millis(200),
    }
}

/// The last image that came, once `wanted` holds; None after a while in which it did not.
fn wait(bus: &mut ModbusBus, begin: Clock, wanted: impl Fn(Result<Instant, Fault>) -> bool) -> Option<[u8; 7]> {
    let mut image = [0; 7];
    for _ in 0..500 {
        let now = Instant::from_ticks(u64::try_from(begin.elapsed().as_micros()).unwrap());
        let _ = bus.give(&[0; 5], now);
        if wanted(bus.take(&mut image, now)) {
            return Some(image);
        }
        thread::sleep(Duration::from_millis(4));
    }
    None
}

#[test]
fn registers_come_high_byte_first_and_then_the_bits() {
    let (address, _) = server(Arc::new(std::sync::Mutex::new(Answers::Well)));
    let begin = Clock::now();
    let mut bus = ModbusBus::start(&places(address), begin, true).unwrap();
    let image = wait(&mut bus, begin, |taken| taken.is_ok()).expect("an answer");
    assert_eq!(image, [1, 0, 1, 1, 1, 2, 0b101]);
}

/// Whatever is no answer makes the readings old, and what is given is told not to get there; once there are answers again, all is well again.
#[test]
fn what_is_no_answer_is_none_and_the_next_good_one_counts() {
    for wrong in [
        Answers::OtherRequest,
        Answers::TooMany,
        Answers::TooFew,
        Answers::OtherFunction,
        Answers::Exception,
        Answers::Noise,
        Answers::Never,
        Answers::Closes,
    ] {
        let answers = Arc::new(std::sync::Mutex::new(Answers::Well));
        let (address, connections) = server(Arc::clone(&answers));
        let mut places = places(address);
        places.answer = Duration::from_millis(20);
        let begin = Clock::now();
        let mut bus = ModbusBus::start(&places, begin, true).unwrap();
        wait(&mut bus, begin, |taken| taken.is_ok()).expect("an answer");
        *answers.lock().unwrap() = wrong;
        wait(&mut bus, begin, |taken| taken.is_err()).unwrap_or_else(|| panic!("{wrong:?} is taken for an answer"));
        let now = Instant::from_ticks(u64::try_from(begin.elapsed().as_micros()).unwrap());
        assert_eq!(bus.give(&[0; 5], now), Err(Fault::NoAnswer), "{wrong:?}");
        *answers.lock().unwrap() = Answers::Well;
        wait(&mut bus, begin, |taken| taken.is_ok()).unwrap_or_else(|| panic!("no way back from {wrong:?}"));
        assert!(
            connections.load(Ordering::SeqCst) > 1,
            "{wrong:?}: the old connection is given up"
        );
    }
}

/// The loop's end never waits, whoever does not answer: a thousand calls in no time.
#[test]
fn a_server_that_hangs_holds_nobody_up() {
    let (address, _) = server(Arc::new(std::sync::Mutex::new(Answers::Never)));
    let begin = Clock::now();
    let mut bus = ModbusBus::start(&places(address), begin, true).unwrap();
    thread::sleep(Duration::from_millis(50));
    let start = Clock::now();
    for _ in 0..1000 {
        assert!(bus.take(&mut [0; 7], Instant::from_ticks(0)).is_err());
        assert!(bus.give(&[0; 5], Instant::from_ticks(0)).is_err());
    }
    // Waiting for one answer alone would take longer.
    assert!(start.elapsed() < places(address).answer, "{:?}", start.elapsed());
}

/// Where the loop stands still, nothing is written: the terminals' watchdog has to bite.
#[test]
fn nothing_is_written_twice() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let written = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&written);
    thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut head = [0; 8];
        while stream.read_exact(&mut head).is_ok() {
            let mut rest = vec![0; usize::from(head[5]) - 2];
            stream.read_exact(&mut rest).unwrap();
            counted.fetch_add(u64::from(head[7] >= 15), Ordering::SeqCst);
            let pdu: Vec<u8> = match head[7] {
                4 => vec![4, 6, 0, 0, 0, 0, 0, 0],
                2 => vec![2, 1, 0],
                function => [&[function], &rest[..4]].concat(),
            };
            let mut answer = head[..4].to_vec();
            answer.extend([0, u8::try_from(pdu.len() + 1).unwrap(), head[6]]);
            answer.extend(pdu);
            stream.write_all(&answer).unwrap();
        }
    });
    let begin = Clock::now();
    let mut bus = ModbusBus::start(&places(address), begin, true).unwrap();
    wait(&mut bus, begin, |taken| taken.is_ok()).expect("an answer");
    bus.finish();
    thread::sleep(Duration::from_millis(50));
    let before = written.load(Ordering::SeqCst);
    assert!(before >= 2, "coils and registers");
    thread::sleep(Duration::from_millis(100));
    assert_eq!(written.load(Ordering::SeqCst), before);
}
