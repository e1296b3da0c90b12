#include "logger/live/http_server.h"

#include <arpa/inet.h>
#include <fmt/format.h>
#include <microhttpd.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <cstdlib>
#include <list>
#include <optional>
#include <system_error>
#include <thread>

#include "db/basis/error.h"
#include "logger/line/file_descriptor.h"

namespace loadline {
namespace {

using Time = std::chrono::steady_clock::time_point;
using std::chrono::milliseconds;

Time now() { return std::chrono::steady_clock::now(); }

constexpr int kMostAcceptedAtOnce = 256;
constexpr std::size_t kMostLeaving = 32;        // cut off, but not yet closed
constexpr auto kLookEvery = milliseconds(25);   // while anybody is connected
constexpr auto kLastWords = milliseconds(300);  // for streams at the end
constexpr auto kStalledStream = std::chrono::seconds(5);
constexpr std::size_t kStreamBlock = 16'384;  // bytes handed over at once
constexpr std::size_t kMostGuesses = 4'096;   // remembered, of all addresses

/// A stream's text that is not handed over yet.
struct Stream {
  std::function<std::string()> next_event;
  std::string text;
  std::size_t handed = 0;
  Time next_due;
  Time moved;  ///< when the client last took something
  bool told_end = false;
};

struct Connection {
  int fd = -1;  ///< libmicrohttpd's own; never closed here
  std::uint32_t address = 0;
  MHD_Connection* handle = nullptr;
  Time since;
  std::optional<Time> deadline;
  std::optional<Time> wakes;      ///< suspended until then
  std::optional<HttpReply> kept;  ///< an answer that is given late
  std::unique_ptr<Stream> stream;
  bool accepted = false;
  bool leaving = false;  ///< cut off; libmicrohttpd is about to notice
};

/// One request in the making, between libmicrohttpd's calls.
struct Incoming {
  HttpRequest request;
  bool answered = false;
};

std::string header(MHD_Connection* handle, const char* name) {
  const char* value = MHD_lookup_connection_value(handle, MHD_HEADER_KIND, name);
  return value ? value : "";
}

bool told_too_long(MHD_Connection* handle) {
  const std::string told = header(handle, "Content-Length");
  return !told.empty() &&
         (told.size() > 8 || std::strtoull(told.c_str(), nullptr, 10) > HttpServer::kMostBody);
}

}  // namespace

struct HttpServer::State {
  FileDescriptor listening;
  FileDescriptor wake{::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)};
  int port = 0;
  Handler handler;
  MHD_Daemon* daemon = nullptr;
  int daemon_fd = -1;
  std::list<Connection> connections;                    // of the server's thread, as all below
  std::vector<std::pair<std::uint32_t, Time>> guesses;  // address, until when its place is taken
  Time listens_again;                                   // after descriptors ran short
  std::atomic<bool> closing{false};
  std::thread thread;

  void bind(int wanted, bool on_network);
  void start_daemon();
  void serve();
  void one_round();
  void accept_some();
  void take_in(FileDescriptor socket, std::uint32_t address);
  bool make_room(std::uint32_t address);
  std::size_t places_of(std::uint32_t address) const;
  std::size_t streams() const;
  void look_after(Time at);
  void cut(Connection& connection) const;
  void wake_up(Connection& connection) const;
  milliseconds patience() const;
  void wait();
  void say_farewell();
  MHD_Result answer(Connection& connection, Incoming& incoming);
  MHD_Result give(Connection& connection, const HttpReply& reply);
  ssize_t more_of(Connection& connection, char* into, std::size_t most) const;

  static MHD_Result take_request(void* self, MHD_Connection* handle, const char* path,
                                 const char* method, const char* version, const char* bytes,
                                 std::size_t* size, void** context);
  static void request_done(void* self, MHD_Connection* handle, void** context,
                           MHD_RequestTerminationCode why);
  static void connection_changed(void* self, MHD_Connection* handle, void** socket_context,
                                 MHD_ConnectionNotificationCode what);
};

namespace {

Connection* connection_of(MHD_Connection* handle) {
  const MHD_ConnectionInfo* info =
      MHD_get_connection_info(handle, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
  return info ? static_cast<Connection*>(info->socket_context) : nullptr;
}

/// What a stream's reader needs to find its way back.
struct StreamReader {
  HttpServer::State* server;
  Connection* connection;
};

}  // namespace

void HttpServer::State::bind(int wanted, bool on_network) {
  listening.reset(::socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0));
  const int yes = 1;
  const int receive = 16'384;  // bytes that the system keeps of a client who is not heard yet
  ::setsockopt(listening.get(), SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
  ::setsockopt(listening.get(), SOL_SOCKET, SO_RCVBUF, &receive, sizeof receive);
  sockaddr_in address = {};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(wanted));
  address.sin_addr.s_addr = htonl(on_network ? INADDR_ANY : INADDR_LOOPBACK);
  auto* plain = reinterpret_cast<sockaddr*>(&address);
  if (!listening.open() || ::bind(listening.get(), plain, sizeof address) != 0 ||
      ::listen(listening.get(), SOMAXCONN) != 0)
    throw Error(Fault::kInput,
                fmt::format("port {} for the page {}; choose another with --page-port, or 0 for "
                            "any.",
                            wanted,
                            errno == EADDRINUSE
                                ? std::string("is taken")
                                : fmt::format("is not to be had ({})", std::strerror(errno))));
  socklen_t size = sizeof address;
  ::getsockname(listening.get(), plain, &size);
  port = ntohs(address.sin_port);
}

void HttpServer::State::start_daemon() {
  daemon = MHD_start_daemon(
      MHD_USE_EPOLL | MHD_USE_NO_LISTEN_SOCKET | MHD_ALLOW_SUSPEND_RESUME, 0, nullptr, nullptr,
      take_request, this, MHD_OPTION_CONNECTION_MEMORY_LIMIT, kConnectionMemory,
      MHD_OPTION_CONNECTION_LIMIT, static_cast<unsigned>(2 * kMostConnections),
      MHD_OPTION_STRICT_FOR_CLIENT, 1, MHD_OPTION_NOTIFY_COMPLETED, request_done, this,
      MHD_OPTION_NOTIFY_CONNECTION, connection_changed, this, MHD_OPTION_END);
  const MHD_DaemonInfo* info =
      daemon ? MHD_get_daemon_info(daemon, MHD_DAEMON_INFO_EPOLL_FD) : nullptr;
  if (!info || !wake.open())
    throw Error(Fault::kInput,
                "the page cannot be served: the operating system gives no more memory or open "
                "files; close programs, or go on without the page.");
  daemon_fd = info->epoll_fd;
}

void HttpServer::State::serve() {
  while (!closing.load()) {
    one_round();
    wait();
  }
  say_farewell();
}

void HttpServer::State::one_round() {
  try {
    if (!closing.load()) accept_some();
    look_after(now());
  } catch (const std::exception&) {
    // Out of memory: whoever asked for it goes without; the recording is not concerned.
  }
  MHD_run(daemon);
}

void HttpServer::State::wait() {
  const bool listens = now() >= listens_again;
  pollfd watched[3] = {
      {wake.get(), POLLIN, 0}, {daemon_fd, POLLIN, 0}, {listens ? listening.get() : -1, POLLIN, 0}};
  ::poll(watched, 3, static_cast<int>(patience().count()));
}

milliseconds HttpServer::State::patience() const {
  MHD_UNSIGNED_LONG_LONG wanted = 0;
  if (MHD_get_timeout(daemon, &wanted) == MHD_YES && wanted == 0) return milliseconds(0);
  const bool quiet = connections.empty() && now() >= listens_again;
  return quiet ? milliseconds(1000) : kLookEvery;
}

void HttpServer::State::accept_some() {
  for (int n = 0; n < kMostAcceptedAtOnce && now() >= listens_again; ++n) {
    sockaddr_in from = {};
    socklen_t size = sizeof from;
    FileDescriptor socket(::accept4(listening.get(), reinterpret_cast<sockaddr*>(&from), &size,
                                    SOCK_NONBLOCK | SOCK_CLOEXEC));
    if (connections.size() >= kMostConnections + kMostLeaving) MHD_run(daemon);  // lets them go
    if (socket.open())
      take_in(std::move(socket), from.sin_addr.s_addr);
    else if (errno == EAGAIN || errno == EWOULDBLOCK)
      return;
    else if (errno != ECONNABORTED && errno != EINTR)
      listens_again = now() + kLookEvery;  // no more descriptors or memory: later, without haste
  }
}

void HttpServer::State::take_in(FileDescriptor socket, std::uint32_t address) {
  if (!make_room(address)) return;
  sockaddr_in from = {};
  from.sin_family = AF_INET;
  from.sin_addr.s_addr = address;
  Connection& made = connections.emplace_back();
  made.fd = socket.get();
  made.address = address;
  made.since = now();
  made.deadline = made.since + kRequestTime;
  // From here on the descriptor is libmicrohttpd's, which closes it also when it refuses.
  const int fd = socket.release();
  if (MHD_add_connection(daemon, fd, reinterpret_cast<sockaddr*>(&from), sizeof from) != MHD_YES)
    std::erase_if(connections, [fd](const Connection& c) { return c.fd == fd && !c.handle; });
}

std::size_t HttpServer::State::places_of(std::uint32_t address) const {
  const auto connected = std::count_if(connections.begin(), connections.end(), [&](const auto& c) {
    return c.address == address && !c.leaving;
  });
  const auto guessed = std::count_if(guesses.begin(), guesses.end(),
                                     [&](const auto& guess) { return guess.first == address; });
  return static_cast<std::size_t>(connected + guessed);
}

/// Oldest first: the list is in the order of coming.
bool HttpServer::State::make_room(std::uint32_t address) {
  const auto give_up_one = [this](auto&& belongs) {
    const auto found = std::find_if(connections.begin(), connections.end(), [&](const auto& c) {
      return !c.leaving && !c.accepted && belongs(c);
    });
    if (found == connections.end()) return false;
    cut(*found);
    return true;
  };
  if (places_of(address) >= kMostOfAddress)
    return give_up_one([&](const Connection& c) { return c.address == address; });
  const auto present = static_cast<std::size_t>(std::count_if(
      connections.begin(), connections.end(), [](const auto& c) { return !c.leaving; }));
  if (present < kMostConnections) return connections.size() < 2 * kMostConnections;
  return give_up_one([](const Connection&) { return true; });
}

void HttpServer::State::cut(Connection& connection) const {
  ::shutdown(connection.fd, SHUT_RDWR);
  connection.leaving = true;
  connection.deadline.reset();
  wake_up(connection);
}

void HttpServer::State::wake_up(Connection& connection) const {
  if (!connection.wakes) return;
  connection.wakes.reset();
  MHD_resume_connection(connection.handle);
}

void HttpServer::State::look_after(Time at) {
  std::erase_if(guesses, [at](const auto& guess) { return guess.second <= at; });
  for (Connection& connection : connections) {
    if (connection.wakes && *connection.wakes <= at) wake_up(connection);
    if (connection.deadline && *connection.deadline <= at) cut(connection);
    if (connection.stream && !connection.leaving && at > connection.stream->moved + kStalledStream)
      cut(connection);
  }
}

void HttpServer::State::say_farewell() {
  for (Connection& connection : connections) wake_up(connection);
  const Time end = now() + kLastWords;
  while (streams() > 0 && now() < end) {
    one_round();
    pollfd watched = {daemon_fd, POLLIN, 0};
    ::poll(&watched, 1, 5);
  }
  for (Connection& connection : connections) wake_up(connection);
  MHD_stop_daemon(daemon);
}

std::size_t HttpServer::State::streams() const {
  return static_cast<std::size_t>(
      std::count_if(connections.begin(), connections.end(),
                    [](const auto& c) { return c.stream && !c.leaving; }));
}

MHD_Result HttpServer::State::answer(Connection& connection, Incoming& incoming) {
  incoming.answered = true;
  HttpReply reply =
      connection.kept ? *std::exchange(connection.kept, std::nullopt) : handler(incoming.request);
  if (reply.is_wrong_guess) {
    if (guesses.size() >= kMostGuesses) guesses.erase(guesses.begin());
    guesses.emplace_back(connection.address, now() + kGuessTime);
    reply.is_wrong_guess = false;
    connection.kept = std::move(reply);
    incoming.answered = false;
    connection.deadline = now() + kGuessTime + kAnswerTime;
    connection.wakes = now() + kGuessTime;
    MHD_suspend_connection(connection.handle);
    return MHD_YES;
  }
  if (reply.next_event && streams() >= kMostStreams) {
    reply.next_event = nullptr;
    reply.status = 503;
    reply.text = "Too many pages are open; close one.\n";
  }
  connection.accepted = reply.accepted;
  return give(connection, reply);
}

MHD_Result HttpServer::State::give(Connection& connection, const HttpReply& reply) {
  MHD_Response* response = nullptr;
  if (reply.next_event) {
    connection.stream = std::make_unique<Stream>();
    connection.stream->next_event = reply.next_event;
    connection.stream->next_due = connection.stream->moved = now();
    response = MHD_create_response_from_callback(
        MHD_SIZE_UNKNOWN, kStreamBlock,
        [](void* reader, std::uint64_t, char* into, std::size_t most) {
          const auto* at = static_cast<StreamReader*>(reader);
          return at->server->more_of(*at->connection, into, most);
        },
        new StreamReader{this, &connection},
        [](void* reader) { delete static_cast<StreamReader*>(reader); });
    connection.deadline.reset();
  } else {
    const std::string_view content = reply.lasting.empty() ? reply.text : reply.lasting;
    response = MHD_create_response_from_buffer(
        content.size(), const_cast<char*>(content.data()),
        reply.lasting.empty() ? MHD_RESPMEM_MUST_COPY : MHD_RESPMEM_PERSISTENT);
    connection.deadline = now() + kAnswerTime;
  }
  if (!response) return MHD_NO;
  MHD_add_response_header(response, "Content-Type", reply.type.c_str());
  for (const auto& [name, value] : reply.headers)
    MHD_add_response_header(response, name.c_str(), value.c_str());
  const MHD_Result result =
      MHD_queue_response(connection.handle, static_cast<unsigned>(reply.status), response);
  MHD_destroy_response(response);
  return result;
}

ssize_t HttpServer::State::more_of(Connection& connection, char* into, std::size_t most) const {
  Stream& stream = *connection.stream;
  try {
    stream.moved = now();
    if (stream.handed == stream.text.size()) {
      if (stream.told_end) return MHD_CONTENT_READER_END_OF_STREAM;
      if (!closing.load() && stream.moved < stream.next_due) {
        connection.wakes = stream.next_due;
        MHD_suspend_connection(connection.handle);
        return 0;
      }
      stream.told_end = closing.load();
      stream.text = stream.next_event();
      stream.handed = 0;
      stream.next_due = stream.moved + kEventEvery;
    }
  } catch (const std::exception&) {
    return MHD_CONTENT_READER_END_WITH_ERROR;
  }
  const std::size_t size = std::min(most, stream.text.size() - stream.handed);
  stream.text.copy(into, size, stream.handed);
  stream.handed += size;
  return static_cast<ssize_t>(size);
}

MHD_Result HttpServer::State::take_request(void* self, MHD_Connection* handle, const char* path,
                                           const char* method, const char*, const char* bytes,
                                           std::size_t* size, void** context) {
  auto& server = *static_cast<State*>(self);
  Connection* connection = connection_of(handle);
  if (!connection || connection->leaving) return MHD_NO;
  try {
    auto* incoming = static_cast<Incoming*>(*context);
    if (!incoming) {
      *context = incoming = new Incoming;
      incoming->request = {
          method, path, header(handle, "Host"), header(handle, "Origin"), header(handle, "Cookie"),
          {}};
      if (!told_too_long(handle)) return MHD_YES;
      incoming->answered = true;
      HttpReply reply;
      reply.status = 413;
      reply.text = "An order is never that long.\n";
      return server.give(*connection, reply);
    }
    if (*size > 0) {
      if (incoming->request.body.size() + *size > kMostBody) return MHD_NO;
      incoming->request.body.append(bytes, *size);
      *size = 0;
      return MHD_YES;
    }
    return incoming->answered ? MHD_YES : server.answer(*connection, *incoming);
  } catch (const std::exception&) {
    return MHD_NO;
  }
}

void HttpServer::State::request_done(void*, MHD_Connection* handle, void** context,
                                     MHD_RequestTerminationCode) {
  delete static_cast<Incoming*>(*context);
  *context = nullptr;
  Connection* connection = connection_of(handle);
  if (!connection) return;
  connection->stream.reset();
  connection->kept.reset();
  connection->accepted = false;
  if (!connection->leaving) connection->deadline = now() + kRequestTime;
}

void HttpServer::State::connection_changed(void* self, MHD_Connection* handle,
                                           void** socket_context,
                                           MHD_ConnectionNotificationCode what) {
  auto& server = *static_cast<State*>(self);
  const MHD_ConnectionInfo* info =
      MHD_get_connection_info(handle, MHD_CONNECTION_INFO_CONNECTION_FD);
  if (what == MHD_CONNECTION_NOTIFY_CLOSED) {
    const auto* gone = static_cast<Connection*>(*socket_context);
    std::erase_if(server.connections, [gone](const Connection& c) { return &c == gone; });
    return;
  }
  for (Connection& connection : server.connections) {
    if (connection.handle || !info || connection.fd != info->connect_fd) continue;
    connection.handle = handle;
    *socket_context = &connection;
  }
}

HttpServer::HttpServer(int port, bool on_network) : state_(std::make_unique<State>()) {
  state_->bind(port, on_network);
}

void HttpServer::start(Handler handler) {
  state_->handler = std::move(handler);
  state_->start_daemon();
  try {
    state_->thread = std::thread([this] { state_->serve(); });
  } catch (const std::system_error&) {
    MHD_stop_daemon(state_->daemon);
    throw Error(Fault::kInput,
                "the page cannot be served: the operating system gives no more threads; close "
                "programs, or go on without the page.");
  }
}

HttpServer::~HttpServer() { stop(); }

void HttpServer::stop() {
  if (!state_->thread.joinable()) return;
  state_->closing.store(true);
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(state_->wake.get(), &one, sizeof one);
  state_->thread.join();
}

int HttpServer::port() const { return state_->port; }

}  // namespace loadline
