#include "logger/live/page_server.h"

#include <fmt/format.h>
#include <httplib.h>
#include <ifaddrs.h>
#include <net/if.h>
#include <netdb.h>

#include <array>
#include <atomic>
#include <iostream>
#include <string_view>
#include <thread>
#include <vector>

#include "db/basis/web.h"
#include "logger/live/gate.h"

namespace loadline {

extern const std::string_view kPageHtml;
extern const std::string_view kPageCss;
extern const std::string_view kPageScript;
extern const std::string_view kGateHtml;
extern const std::string_view kGateScript;

namespace {

using httplib::Request;
using httplib::Response;

constexpr std::size_t kMostBody = 4096;  // bytes of an order
constexpr int kMostStreams = 8;          // pages open at once
constexpr auto kStateEvery = std::chrono::milliseconds(150);

/// Browsers keep cookies by machine, not by port: two loggers on one machine differ by name.
std::string cookie_name(int port) { return fmt::format("loadline{}=", port); }

std::string token_of(const Request& request, int port) {
  const std::string cookies = "; " + request.get_header_value("Cookie");
  const std::string wanted = "; " + cookie_name(port);
  const auto at = cookies.find(wanted);
  if (at == std::string::npos) return {};
  const auto from = at + wanted.size();
  return cookies.substr(from, cookies.find(';', from) - from);
}

/// What may be had without the code: the sheet that asks for it.
bool is_open_to_all(const Request& request) {
  if (request.method == "POST") return request.path == "/open";
  return request.path == "/gate.js" || request.path == "/page.css";
}

/// This machine's addresses on the networks that it is on (IPv4; the server listens there).
std::vector<std::string> own_addresses() {
  std::vector<std::string> addresses;
  ifaddrs* list = nullptr;
  if (::getifaddrs(&list) != 0) return addresses;
  for (const ifaddrs* entry = list; entry; entry = entry->ifa_next) {
    if (!entry->ifa_addr || entry->ifa_addr->sa_family != AF_INET) continue;
    if (entry->ifa_flags & IFF_LOOPBACK) continue;
    std::array<char, NI_MAXHOST> name = {};
    if (::getnameinfo(entry->ifa_addr, sizeof(sockaddr_in), name.data(), name.size(), nullptr, 0,
                      NI_NUMERICHOST) == 0)
      addresses.emplace_back(name.data());
  }
  ::freeifaddrs(list);
  return addresses;
}

void refuse(Response& response, int status, const std::string& sentence) {
  response.status = status;
  response.set_content(sentence + "\n", "text/plain; charset=utf-8");
}

void harden(Response& response) {
  response.set_header(
      "Content-Security-Policy",
      "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
      "img-src 'self' data:; base-uri 'none'; form-action 'none'; "
      "frame-ancestors 'none'");
  response.set_header("X-Content-Type-Options", "nosniff");
  response.set_header("Referrer-Policy", "no-referrer");
  response.set_header("Cross-Origin-Resource-Policy", "same-origin");
  response.set_header("Cache-Control", "no-store");
}

}  // namespace

struct PageServer::State {
  State(LiveDesk& shown, const PageOptions& given) : desk(shown), options(given) {}

  LiveDesk& desk;
  PageOptions options;
  httplib::Server server;
  std::unique_ptr<Gate> gate;
  std::thread thread;
  std::atomic<int> streams{0};
  std::atomic<bool> closing{false};
  int port = 0;

  void configure();
  void bind();
  void tell_code(const std::string& code) const;
  httplib::Server::HandlerResponse guard(const Request& request, Response& response);
  void serve_text(const char* path, std::string_view text, const char* type);
  void serve_state(Response& response);
  void ask_for_code(const Request& request, Response& response) const;
  void open(const Request& request, Response& response);
  void order(const Request& request, Response& response,
             const std::function<void(const Json&)>& act);
};

void PageServer::State::configure() {
  server.new_task_queue = [] { return new httplib::ThreadPool(kMostStreams + 4); };
  server.set_payload_max_length(kMostBody);
  server.set_read_timeout(5);
  server.set_write_timeout(5);
  server.set_keep_alive_max_count(100);
  server.set_keep_alive_timeout(1);  // s; the end of the program waits for idle connections
  server.set_pre_routing_handler(
      [this](const Request& request, Response& response) { return guard(request, response); });
  serve_text("/", kPageHtml, "text/html; charset=utf-8");
  serve_text("/page.css", kPageCss, "text/css; charset=utf-8");
  serve_text("/page.js", kPageScript, "text/javascript; charset=utf-8");
  serve_text("/chart.js", kChartJs, "text/javascript; charset=utf-8");
  serve_text("/gate.js", kGateScript, "text/javascript; charset=utf-8");
  server.Get("/state", [this](const Request&, Response& response) { serve_state(response); });
  server.Post("/open",
              [this](const Request& request, Response& response) { open(request, response); });
  server.Post("/start", [this](const Request& request, Response& response) {
    order(request, response, [this](const Json& wish) { desk.place_order(wish); });
  });
  server.Post("/stop", [this](const Request& request, Response& response) {
    order(request, response, [this](const Json&) { desk.ask_stop(); });
  });
}

httplib::Server::HandlerResponse PageServer::State::guard(const Request& request,
                                                          Response& response) {
  using Handled = httplib::Server::HandlerResponse;
  harden(response);
  const std::string host = request.get_header_value("Host");
  if (!gate->host_is_ours(host)) {
    refuse(response, 403, "This page is not served under that name.");
    return Handled::Handled;
  }
  if (request.method != "GET" && request.method != "HEAD" &&
      !Gate::origin_fits(request.get_header_value("Origin"), host)) {
    refuse(response, 403, "Orders are taken from this page only.");
    return Handled::Handled;
  }
  if (is_open_to_all(request) || gate->token_opens(token_of(request, port)))
    return Handled::Unhandled;
  ask_for_code(request, response);
  return Handled::Handled;
}

void PageServer::State::ask_for_code(const Request& request, Response& response) const {
  refuse(response, 401, "This page opens with the code that the terminal at the bench shows.");
  if (request.path == "/")
    response.set_content(kGateHtml.data(), kGateHtml.size(), "text/html; charset=utf-8");
}

void PageServer::State::open(const Request& request, Response& response) {
  const Json given = Json::parse(request.body, nullptr, false);
  const std::string code =
      given.is_object() && given.contains("code") && given["code"].is_string() ? given["code"] : "";
  const std::string token = gate->exchange(code);
  if (token.empty())
    return refuse(response, 403,
                  gate->is_shut() ? "Too many wrong codes: end the logger and start it again."
                                  : "That is not the code, or it has been used: the terminal at "
                                    "the bench shows the one that counts.");
  response.set_header("Set-Cookie", fmt::format("{}{}; HttpOnly; SameSite=Strict; Path=/",
                                                cookie_name(port), token));
  response.set_content("{}", "application/json");
}

void PageServer::State::serve_text(const char* path, std::string_view text, const char* type) {
  server.Get(path, [text, type](const Request&, Response& response) {
    response.set_content(text.data(), text.size(), type);
  });
}

void PageServer::State::serve_state(Response& response) {
  if (++streams > kMostStreams) {
    --streams;
    return refuse(response, 503, "Too many pages are open; close one.");
  }
  auto from = std::make_shared<std::size_t>(0);
  response.set_chunked_content_provider(
      "text/event-stream",
      [this, from](std::size_t, httplib::DataSink& sink) {
        if (closing.load()) return sink.done(), true;
        const Json state = desk.state(*from);
        const std::string event =
            "data: " + state.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n\n";
        if (!sink.write(event.data(), event.size())) return false;
        std::this_thread::sleep_for(kStateEvery);
        return true;
      },
      [this](bool) { --streams; });
}

void PageServer::State::order(const Request& request, Response& response,
                              const std::function<void(const Json&)>& act) {
  try {
    const Json wish = request.body.empty() ? Json::object() : Json::parse(request.body);
    act(wish);
    response.set_content("{}", "application/json");
  } catch (const Json::exception&) {
    refuse(response, 400, "The order cannot be read.");
  } catch (const Error& error) {
    refuse(response, 409, error.what());
  }
}

void PageServer::State::tell_code(const std::string& code) const {
  std::vector<std::string> addresses = own_addresses();
  if (addresses.empty()) addresses.emplace_back("127.0.0.1");
  std::string text;
  for (const std::string& address : addresses)
    text += fmt::format("The bench page is at http://{}:{}/#{}\n", address, port, code);
  std::cerr << text << "  (the code " << code << " opens one browser; then there is a new one)\n"
            << std::flush;
}

void PageServer::State::bind() {
  const char* address = options.listen ? "0.0.0.0" : "127.0.0.1";
  port = options.port == 0 ? server.bind_to_any_port(address) : options.port;
  const bool bound = options.port == 0 ? port > 0 : server.bind_to_port(address, options.port);
  if (!bound)
    throw Error(Fault::kInput, fmt::format("port {} for the page is taken; choose another with "
                                           "--page-port, or 0 for any.",
                                           options.port));
  gate = std::make_unique<Gate>(options.listen, port,
                                [this](const std::string& code) { tell_code(code); });
  if (!options.listen)
    std::cerr << fmt::format("The bench page is at http://127.0.0.1:{}/\n", port) << std::flush;
}

PageServer::PageServer(LiveDesk& desk, const PageOptions& options)
    : state_(std::make_unique<State>(desk, options)) {
  state_->configure();
  state_->bind();
  state_->thread = std::thread([this] { state_->server.listen_after_bind(); });
}

PageServer::~PageServer() {
  state_->closing.store(true);
  state_->server.stop();
  state_->thread.join();
}

int PageServer::port() const { return state_->port; }

}  // namespace loadline
