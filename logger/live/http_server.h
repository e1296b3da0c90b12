// A web server that cannot hurt the program in which it runs: one thread, few connections, bounded
// memory, and a time for everything. It knows nothing of the page; libmicrohttpd reads the
// requests.
//
// What a client may take, whatever it sends or leaves undone:
//   places        kMostConnections in all, kMostOfAddress of one address; where they run short the
//                 oldest that has not brought an accepted request yet goes
//   memory        kConnectionMemory for request line and headers, kMostBody for the body, whether
//                 its length is told beforehand or it comes in chunks
//   time          kRequestTime from connecting (or from the answer before) until the whole request
//                 is there, kAnswerTime until its answer is taken; no byte prolongs either
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace loadline {

struct HttpRequest {
  std::string method, path, host, origin, cookies, body;
};

struct HttpReply {
  int status = 200;
  std::string type = "text/plain; charset=utf-8";
  std::string text;
  std::string_view lasting;  ///< instead of `text`: content that outlives the server
  std::vector<std::pair<std::string, std::string>> headers;
  /// Gives the next event of a stream that ends with the server; empty for an ordinary answer.
  std::function<std::string()> next_event;
  /// The client may be here: its connection is not given up for a newcomer.
  bool accepted = false;
  /// The answer waits for kGuessTime, and so long one place of its address stays taken, whether the
  /// client waits or not: nobody tries words faster than places come free.
  bool is_wrong_guess = false;
};

class HttpServer {
 public:
  static constexpr std::size_t kMostConnections = 64;
  static constexpr std::size_t kMostOfAddress = 16;
  static constexpr std::size_t kMostStreams = 8;
  static constexpr std::size_t kConnectionMemory = 16'384;  ///< bytes
  static constexpr std::size_t kMostBody = 4'096;           ///< bytes
  static constexpr auto kRequestTime = std::chrono::seconds(5);
  static constexpr auto kAnswerTime = std::chrono::seconds(10);
  static constexpr auto kGuessTime = std::chrono::seconds(1);
  static constexpr auto kEventEvery = std::chrono::milliseconds(150);

  /// Called in the server's thread; what it throws closes the connection.
  using Handler = std::function<HttpReply(const HttpRequest&)>;

  /// Binds `port` (0: any free one) of this machine alone, or of all its IPv4 addresses.
  /// Error(kInput) when the port is not to be had.
  HttpServer(int port, bool on_network);
  ~HttpServer();
  HttpServer(const HttpServer&) = delete;
  HttpServer& operator=(const HttpServer&) = delete;

  /// Serves until stop(), in a thread of its own. Error(kInput) when there is none to be had.
  void start(Handler handler);
  /// Streams are given one more event and their end; nobody is waited for longer than 0.3 s.
  void stop();
  int port() const;

  struct State;  ///< of http_server.cc

 private:
  std::unique_ptr<State> state_;
};

}  // namespace loadline
