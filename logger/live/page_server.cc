#include "logger/live/page_server.h"

#include <fmt/format.h>
#include <ifaddrs.h>
#include <net/if.h>
#include <netdb.h>
#include <nlohmann/json.hpp>

#include <array>
#include <iostream>
#include <string_view>
#include <vector>

#include "db/basis/language.h"
#include "db/basis/web.h"
#include "logger/live/answers.h"
#include "logger/live/gate.h"
#include "logger/live/http_server.h"
#include "logger/live/plain_words.h"

namespace loadline {

extern const std::string_view kPageHtml;
extern const std::string_view kPageCss;
extern const std::string_view kPageScript;
extern const std::string_view kWordsScript;
extern const std::string_view kBasisScript;
extern const std::string_view kAlarmScript;
extern const std::string_view kPlotsScript;
extern const std::string_view kOrderScript;
extern const std::string_view kEveningScript;
extern const std::string_view kAnswerScript;
extern const std::string_view kCalibrateScript;
extern const std::string_view kEntryScript;
extern const std::string_view kIntervalScript;
extern const std::string_view kGateHtml;
extern const std::string_view kGateScript;

namespace {

/// Browsers keep cookies by machine, not by port: two loggers on one machine differ by name.
std::string cookie_name(int port) { return fmt::format("loadline{}=", port); }

std::string token_of(const HttpRequest& request, int port) {
  const std::string cookies = "; " + request.cookies;
  const std::string wanted = "; " + cookie_name(port);
  const auto at = cookies.find(wanted);
  if (at == std::string::npos) return {};
  const auto from = at + wanted.size();
  return cookies.substr(from, cookies.find(';', from) - from);
}

/// What may be had without the code: the sheet that asks for it.
bool is_open_to_all(const HttpRequest& request) {
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

HttpReply refusal(int status, const std::string& sentence) {
  HttpReply reply;
  reply.status = status;
  reply.text = sentence + "\n";
  return reply;
}

HttpReply done() {
  HttpReply reply;
  reply.type = "application/json";
  reply.text = "{}";
  return reply;
}

const std::pair<const char*, const char*> kGuards[] = {
    {"Content-Security-Policy",
     "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
     "img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"},
    {"X-Content-Type-Options", "nosniff"},
    {"Referrer-Policy", "no-referrer"},
    {"Cross-Origin-Resource-Policy", "same-origin"},
    {"Cache-Control", "no-store"},
};

}  // namespace

// Written by the build from logger/live/words.*.js: the page's words in further languages.
struct PageWords {
  std::string_view code, text;
};
std::vector<PageWords> page_words();

namespace {

// Of the locale, as far as there are any.
std::string_view words_here() {
  const std::string code = Language::of_locale().code();
  for (const PageWords& words : page_words())
    if (words.code == code) return words.text;
  return kWordsScript;
}

struct Sheet {
  const char* path;
  const std::string_view& text;
  const char* type;
};

const Sheet kSheets[] = {
    {"/", kPageHtml, "text/html; charset=utf-8"},
    {"/page.css", kPageCss, "text/css; charset=utf-8"},
    {"/page.js", kPageScript, "text/javascript; charset=utf-8"},
    {"/words.js", kWordsScript, "text/javascript; charset=utf-8"},     // see words_here()
    {"/words.en.js", kWordsScript, "text/javascript; charset=utf-8"},  // what others build on
    {"/basis.js", kBasisScript, "text/javascript; charset=utf-8"},
    {"/alarm.js", kAlarmScript, "text/javascript; charset=utf-8"},
    {"/plots.js", kPlotsScript, "text/javascript; charset=utf-8"},
    {"/order.js", kOrderScript, "text/javascript; charset=utf-8"},
    {"/evening.js", kEveningScript, "text/javascript; charset=utf-8"},
    {"/answer.js", kAnswerScript, "text/javascript; charset=utf-8"},
    {"/calibrate.js", kCalibrateScript, "text/javascript; charset=utf-8"},
    {"/entry.js", kEntryScript, "text/javascript; charset=utf-8"},
    {"/interval.js", kIntervalScript, "text/javascript; charset=utf-8"},
    {"/chart.js", kChartJs, "text/javascript; charset=utf-8"},
    {"/gate.js", kGateScript, "text/javascript; charset=utf-8"},
};

}  // namespace

struct PageServer::State {
  State(LiveDesk& shown, const PageOptions& given)
      : desk(shown),
        options(given),
        server(given.port, given.listen),
        gate(given.listen, server.port(), [this](const std::string& code) { tell_code(code); }) {}

  LiveDesk& desk;
  const PageOptions options;
  const std::string_view words = words_here();
  HttpServer
      server;  // its thread calls what follows; so the destructor of PageServer ends it first
  Gate gate;

  void tell_code(const std::string& code) const;
  HttpReply answer(const HttpRequest& request);
  HttpReply guarded(const HttpRequest& request);
  HttpReply routed(const HttpRequest& request);
  HttpReply events();
  void ask(const Json& wish) const;
  HttpReply open(const HttpRequest& request);
  static HttpReply order(const HttpRequest& request, const std::function<Json(const Json&)>& act);
};

HttpReply PageServer::State::answer(const HttpRequest& request) {
  HttpReply reply = guarded(request);
  for (const auto& [name, value] : kGuards) reply.headers.emplace_back(name, value);
  return reply;
}

HttpReply PageServer::State::guarded(const HttpRequest& request) {
  if (!gate.host_is_ours(request.host))
    return refusal(403, "This page is not served under that name.");
  if (request.method != "GET" && request.method != "HEAD" &&
      !Gate::origin_fits(request.origin, request.host))
    return refusal(403, "Orders are taken from this page only.");
  const bool may = gate.token_opens(token_of(request, server.port()));
  if (may || is_open_to_all(request)) {
    HttpReply reply = routed(request);
    reply.accepted = may;
    return reply;
  }
  HttpReply reply =
      refusal(401, "This page opens with the code that the terminal at the bench shows.");
  if (request.path != "/") return reply;
  reply.lasting = kGateHtml;
  reply.type = "text/html; charset=utf-8";
  return reply;
}

HttpReply PageServer::State::routed(const HttpRequest& request) {
  if (request.method == "POST") {
    if (request.path == "/open") return open(request);
    if (request.path == "/start")
      return order(request, [this](const Json& wish) { return desk.place_order(wish); });
    if (request.path == "/stop")
      return order(request, [this](const Json&) {
        desk.ask_stop();
        return Json::object();
      });
    if (request.path == "/task")
      return order(request, [this](const Json& task) {
        desk.place_task(task);
        return Json::object();
      });
    if (request.path == "/ask")
      return order(request, [this](const Json& wish) {
        ask(wish);
        return Json::object();
      });
  }
  if (request.method == "GET" || request.method == "HEAD") {
    if (request.path == "/state") return events();
    if (request.path == "/answer" && options.answers) {
      HttpReply reply;
      reply.type = "application/json";
      reply.text = options.answers->document().dump(-1, ' ', false, Json::error_handler_t::replace);
      return reply;
    }
    for (const Sheet& sheet : kSheets) {
      if (request.path != sheet.path) continue;
      HttpReply reply;
      reply.lasting = request.path == "/words.js" ? words : sheet.text;
      reply.type = sheet.type;
      return reply;
    }
  }
  return refusal(404, "There is nothing of that name here.");
}

HttpReply PageServer::State::open(const HttpRequest& request) {
  const Json given = Json::parse(request.body, nullptr, false);
  const std::string code = given.is_object() && given.contains("code") && given["code"].is_string()
                               ? given["code"].get<std::string>()
                               : "";
  const std::string token = gate.exchange(code);
  if (token.empty()) {
    HttpReply reply =
        refusal(403, on_page("That is not the code, or it has been used: the terminal at the "
                             "bench shows the one that counts."));
    reply.is_wrong_guess = true;
    return reply;
  }
  HttpReply reply = done();
  reply.headers.emplace_back("Set-Cookie", fmt::format("{}{}; HttpOnly; SameSite=Strict; Path=/",
                                                       cookie_name(server.port()), token));
  return reply;
}

HttpReply PageServer::State::events() {
  HttpReply reply;
  reply.type = "text/event-stream";
  reply.next_event = [this, from = std::uint64_t{0}]() mutable {
    Json state = desk.state(from);
    state["answer"] = options.answers ? options.answers->status() : Json();
    return "data: " + state.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n\n";
  };
  return reply;
}

void PageServer::State::ask(const Json& wish) const {
  if (!options.answers) throw Error(Fault::kInput, "this page watches one recording only.");
  if (desk.recording()) throw Error(Fault::kInput, "a run is under way; ask after the run.");
  options.answers->ask(wish);
}

HttpReply PageServer::State::order(const HttpRequest& request,
                                   const std::function<Json(const Json&)>& act) {
  try {
    const Json said = act(request.body.empty() ? Json::object() : Json::parse(request.body));
    HttpReply reply = done();
    reply.text = said.dump(-1, ' ', false, Json::error_handler_t::replace);
    return reply;
  } catch (const Json::exception&) {
    return refusal(400, on_page("The order cannot be read."));
  } catch (const Error& error) {
    return refusal(409, on_page(error.what()));
  }
}

void PageServer::State::tell_code(const std::string& code) const {
  std::vector<std::string> addresses = own_addresses();
  if (addresses.empty()) addresses.emplace_back("127.0.0.1");
  std::string text;
  for (const std::string& address : addresses)
    text += fmt::format("The bench page is at http://{}:{}/#{}\n", address, server.port(), code);
  std::cerr << text << "  (the code " << code << " opens one browser; then there is a new one)\n"
            << std::flush;
}

PageServer::PageServer(LiveDesk& desk, const PageOptions& options)
    : state_(std::make_unique<State>(desk, options)) {
  if (!options.listen)
    std::cerr << fmt::format("The bench page is at http://127.0.0.1:{}/\n", port()) << std::flush;
  State& state = *state_;
  state.server.start([&state](const HttpRequest& request) { return state.answer(request); });
}

PageServer::~PageServer() { state_->server.stop(); }

int PageServer::port() const { return state_->server.port(); }

}  // namespace loadline
