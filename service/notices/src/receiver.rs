//! A small mail server with fault injection, for tests (feature `test-receiver`).
//!
//! It speaks as much SMTP (RFC 5321) as a sender of one message at a time needs, on a free port
//! of the loopback interface, and fails on command: for the next messages in order, or for a
//! recipient always. It offers TLS with a certificate of its own, made at its start, and asks for a
//! password when told so.

use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use tokio::io::{AsyncBufReadExt as _, AsyncRead, AsyncWrite, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::AbortHandle;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring::default_provider;
use tokio_rustls::rustls::pki_types::PrivateKeyDer;

/// What the server does with one message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Takes it.
    Accept,
    /// Answers MAIL with 451.
    BusyAtMail,
    /// Answers RCPT with 451 (greylisting).
    BusyAtRecipient,
    /// Answers RCPT with 550.
    RefuseRecipient,
    /// Answers 554 after the message.
    RefuseMessage,
    /// Answers 451 after the message.
    BusyAfterMessage,
    /// Closes the connection in place of «go ahead».
    DropBeforeMessage,
    /// Closes the connection in the middle of the message and forgets it.
    DropDuringMessage,
    /// Keeps the message, then closes the connection without an answer.
    LoseAnswer,
    /// Keeps the message and never answers.
    HangAfterMessage,
    /// Says nothing at all, not even a greeting.
    HangAtGreeting,
    /// Never answers MAIL.
    HangAtMail,
    /// Never answers RCPT.
    HangAtRecipient,
    /// Never says «go ahead».
    HangBeforeMessage,
    /// Never answers, and forgets what it has of the message.
    HangDuringMessage,
}

/// How the server protects its connections.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protection {
    /// Not at all.
    None,
    /// It offers STARTTLS (RFC 3207) and takes no mail before it.
    StartTls,
    /// TLS from the first byte.
    Implicit,
}

/// A message as it arrived.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Received {
    /// Sender of the envelope.
    pub from: String,
    /// Recipients of the envelope.
    pub to: Vec<String>,
    /// The message, lines ended by CRLF, dots unstuffed.
    pub data: Vec<u8>,
}

impl Received {
    /// The value of a header that stands on one line.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<String> {
        let text = String::from_utf8_lossy(&self.data);
        text.lines().take_while(|line| !line.is_empty()).find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim().to_owned())
        })
    }
}

#[derive(Debug, Default)]
struct State {
    plan: VecDeque<Fault>,
    always: BTreeMap<String, Fault>,
    received: Vec<Received>,
    connections: usize,
    hanging: usize,
    account: Option<(String, String)>,
}

/// What a conversation needs to know.
struct House {
    state: Arc<Mutex<State>>,
    protection: Protection,
    acceptor: TlsAcceptor,
}

/// A running server; it stops when dropped.
#[derive(Debug)]
pub struct TestReceiver {
    address: SocketAddr,
    state: Arc<Mutex<State>>,
    certificate_pem: String,
    task: AbortHandle,
}

impl TestReceiver {
    /// Starts a server without TLS that takes everything. Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When no port can be listened on.
    pub async fn start() -> std::io::Result<Self> {
        Self::listen(SocketAddr::from(([127, 0, 0, 1], 0)), Protection::None).await
    }

    /// Starts a server on a given address, to come back where an earlier one was, or with TLS. Its
    /// certificate is for `localhost`.
    ///
    /// # Errors
    /// When the address cannot be listened on or no certificate can be made.
    pub async fn listen(address: SocketAddr, protection: Protection) -> std::io::Result<Self> {
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        let state = Arc::new(Mutex::new(State::default()));
        let (acceptor, certificate_pem) = certificate().map_err(std::io::Error::other)?;
        let house = Arc::new(House { state: Arc::clone(&state), protection, acceptor });
        let task = tokio::spawn(async move {
            while let Ok((stream, _peer)) = listener.accept().await {
                lock(&house.state).connections += 1;
                let house = Arc::clone(&house);
                // A peer that breaks off is part of the tests.
                tokio::spawn(async move { drop(converse(stream, &house).await) });
            }
        });
        Ok(Self { address, state, certificate_pem, task: task.abort_handle() })
    }

    /// Number of conversations that it has let hang so far.
    #[must_use]
    pub fn hanging(&self) -> usize {
        lock(&self.state).hanging
    }

    /// The certificate, for a client that is to trust it.
    #[must_use]
    pub fn certificate_pem(&self) -> &str {
        &self.certificate_pem
    }

    /// Takes mail only from this user with this password (AUTH PLAIN, RFC 4616).
    pub fn demand(&self, user: &str, password: &str) {
        lock(&self.state).account = Some((user.to_owned(), password.to_owned()));
    }

    /// Where it listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// What to do with the next messages, one fault each; then everything is taken again.
    pub fn plan(&self, faults: impl IntoIterator<Item = Fault>) {
        lock(&self.state).plan.extend(faults);
    }

    /// What to do with every message to a recipient.
    pub fn always_for(&self, recipient: &str, fault: Fault) {
        lock(&self.state).always.insert(recipient.to_owned(), fault);
    }

    /// What arrived so far.
    #[must_use]
    pub fn received(&self) -> Vec<Received> {
        lock(&self.state).received.clone()
    }

    /// How many connections there were.
    #[must_use]
    pub fn connections(&self) -> usize {
        lock(&self.state).connections
    }
}

impl Drop for TestReceiver {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn lock(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

fn certificate() -> Result<(TlsAcceptor, String), Box<dyn core::error::Error + Send + Sync>> {
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()])?;
    let key = PrivateKeyDer::try_from(made.signing_key.serialize_der())?;
    let config = ServerConfig::builder_with_provider(Arc::new(default_provider()))
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)?;
    Ok((TlsAcceptor::from(Arc::new(config)), made.cert.pem()))
}

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<S: AsyncRead + AsyncWrite + Send + Unpin> Stream for S {}

type Wire = BufReader<Box<dyn Stream>>;

async fn say(wire: &mut Wire, line: &str) -> std::io::Result<()> {
    wire.get_mut().write_all(format!("{line}\r\n").as_bytes()).await?;
    wire.get_mut().flush().await
}

/// What the conversation does after a command.
enum Next {
    Go,
    Upgrade,
    Close,
}

struct Transaction {
    fault: Fault,
    from: String,
    to: Vec<String>,
    encrypted: bool,
    signed_in: bool,
}

async fn converse(stream: TcpStream, house: &House) -> std::io::Result<()> {
    let implicit = house.protection == Protection::Implicit;
    let stream: Box<dyn Stream> =
        if implicit { Box::new(house.acceptor.accept(stream).await?) } else { Box::new(stream) };
    let mut wire = BufReader::new(stream);
    let silent = lock(&house.state).plan.front() == Some(&Fault::HangAtGreeting);
    if silent {
        lock(&house.state).plan.pop_front();
        return hang(&mut wire, &house.state).await;
    }
    say(&mut wire, "220 receiver.test ready").await?;
    let mut current = Transaction {
        fault: Fault::Accept,
        from: String::new(),
        to: Vec::new(),
        encrypted: implicit,
        signed_in: false,
    };
    loop {
        let mut line = String::new();
        if wire.read_line(&mut line).await? == 0 {
            return Ok(());
        }
        match answer(&mut wire, house, &mut current, line.trim_end()).await? {
            Next::Go => {}
            Next::Close => return Ok(()),
            Next::Upgrade => {
                let plain = wire.into_inner();
                wire = BufReader::new(Box::new(house.acceptor.accept(plain).await?));
                current.encrypted = true;
            }
        }
    }
}

async fn answer(
    wire: &mut Wire,
    house: &House,
    current: &mut Transaction,
    line: &str,
) -> std::io::Result<Next> {
    let verb = line.split([' ', ':']).next().unwrap_or_default().to_ascii_uppercase();
    match verb.as_str() {
        "EHLO" => greet(wire, house, current).await?,
        "STARTTLS" => {
            say(wire, "220 2.0.0 ready for TLS").await?;
            return Ok(Next::Upgrade);
        }
        "AUTH" => {
            current.signed_in = knows(&house.state, line);
            let reply = if current.signed_in { "235 2.7.0 welcome" } else { "535 5.7.8 no" };
            say(wire, reply).await?;
        }
        "MAIL" => {
            let reply = begin(house, current, line);
            if current.fault == Fault::HangAtMail {
                return close_after_hanging(wire, &house.state).await;
            }
            say(wire, reply).await?;
        }
        "RCPT" => {
            let reply = add_recipient(&house.state, current, line);
            if current.fault == Fault::HangAtRecipient {
                return close_after_hanging(wire, &house.state).await;
            }
            say(wire, reply).await?;
        }
        "DATA" => return take_message(wire, &house.state, current).await,
        "QUIT" => {
            say(wire, "221 2.0.0 bye").await?;
            return Ok(Next::Close);
        }
        "NOOP" | "RSET" => say(wire, "250 2.0.0 ok").await?,
        _ => say(wire, "502 5.5.2 unknown command").await?,
    }
    Ok(Next::Go)
}

async fn greet(wire: &mut Wire, house: &House, current: &Transaction) -> std::io::Result<()> {
    say(wire, "250-receiver.test").await?;
    if house.protection == Protection::StartTls && !current.encrypted {
        say(wire, "250-STARTTLS").await?;
    }
    if lock(&house.state).account.is_some() {
        say(wire, "250-AUTH PLAIN").await?;
    }
    say(wire, "250 8BITMIME").await
}

/// Whether `AUTH PLAIN base64(NUL user NUL password)` is the demanded account.
fn knows(state: &Mutex<State>, line: &str) -> bool {
    let given = line.rsplit(' ').next().and_then(|text| STANDARD.decode(text).ok());
    let account = lock(state).account.clone();
    match (given, account) {
        (Some(given), Some((user, password))) => {
            given == format!("\0{user}\0{password}").into_bytes()
        }
        _ => false,
    }
}

fn begin(house: &House, current: &mut Transaction, line: &str) -> &'static str {
    if house.protection != Protection::None && !current.encrypted {
        return "530 5.7.0 STARTTLS first";
    }
    if lock(&house.state).account.is_some() && !current.signed_in {
        return "530 5.7.0 sign in first";
    }
    current.fault = lock(&house.state).plan.pop_front().unwrap_or(Fault::Accept);
    current.from = address_in(line);
    current.to.clear();
    if current.fault == Fault::BusyAtMail { "451 4.3.2 busy, try later" } else { "250 2.1.0 ok" }
}

fn add_recipient(state: &Mutex<State>, current: &mut Transaction, line: &str) -> &'static str {
    let recipient = address_in(line);
    if let Some(fault) = lock(state).always.get(&recipient) {
        current.fault = *fault;
    }
    match current.fault {
        Fault::BusyAtRecipient => "451 4.7.1 greylisted, try later",
        Fault::RefuseRecipient => "550 5.1.1 no such mailbox",
        _ => {
            current.to.push(recipient);
            "250 2.1.5 ok"
        }
    }
}

async fn take_message(
    wire: &mut Wire,
    state: &Mutex<State>,
    current: &Transaction,
) -> std::io::Result<Next> {
    match current.fault {
        Fault::DropBeforeMessage => return Ok(Next::Close),
        Fault::HangBeforeMessage => return close_after_hanging(wire, state).await,
        _ => say(wire, "354 go ahead").await?,
    }
    if matches!(current.fault, Fault::DropDuringMessage | Fault::HangDuringMessage) {
        let mut first = String::new();
        wire.read_line(&mut first).await?;
        if current.fault == Fault::HangDuringMessage {
            return close_after_hanging(wire, state).await;
        }
        return Ok(Next::Close);
    }
    let data = read_data(wire).await?;
    let keep = || {
        let received = Received { from: current.from.clone(), to: current.to.clone(), data };
        lock(state).received.push(received);
    };
    match current.fault {
        Fault::RefuseMessage => say(wire, "554 5.6.0 message refused").await?,
        Fault::BusyAfterMessage => say(wire, "451 4.3.0 try later").await?,
        Fault::LoseAnswer => {
            keep();
            return Ok(Next::Close);
        }
        Fault::HangAfterMessage => {
            keep();
            return close_after_hanging(wire, state).await;
        }
        _ => {
            keep();
            say(wire, "250 2.0.0 taken").await?;
        }
    }
    Ok(Next::Go)
}

async fn close_after_hanging(wire: &mut Wire, state: &Mutex<State>) -> std::io::Result<Next> {
    hang(wire, state).await.map(|()| Next::Close)
}

/// Waits until the peer closes.
async fn hang(wire: &mut Wire, state: &Mutex<State>) -> std::io::Result<()> {
    lock(state).hanging += 1;
    let mut line = String::new();
    while wire.read_line(&mut line).await? > 0 {
        line.clear();
    }
    Ok(())
}

async fn read_data(wire: &mut Wire) -> std::io::Result<Vec<u8>> {
    let mut data = Vec::new();
    loop {
        let mut line = Vec::new();
        if wire.read_until(b'\n', &mut line).await? == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        if line == b".\r\n" {
            return Ok(data);
        }
        let unstuffed = line.strip_prefix(b".").unwrap_or(&line);
        data.extend_from_slice(unstuffed);
    }
}

fn address_in(line: &str) -> String {
    line.split_once('<')
        .and_then(|(_, rest)| rest.split_once('>'))
        .map_or_else(String::new, |(address, _)| address.to_owned())
}
