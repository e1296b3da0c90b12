// Who may use the page: checks of host, origin and code, the same for every request.
//
// On this machine alone (loopback) no code is asked; the host check keeps other sites' names from
// being pointed here. On the network a code from the terminal opens one browser, which gets a
// token of its own; then the terminal shows a new code.
//
// Threads: every call may come from any thread.
#pragma once

#include <functional>
#include <set>
#include <string>

#include "db/basis/mutex.h"

namespace loadline {

class Gate {
 public:
  /// `needs_code` is false on loopback. `tell_code` is called with each new code.
  Gate(bool needs_code, int port, std::function<void(const std::string&)> tell_code);

  /// Host header: this machine by number or by its own name, and our port.
  bool host_is_ours(const std::string& host) const;
  /// Origin header of a request that changes something: http:// and the host that it went to.
  static bool origin_fits(const std::string& origin, const std::string& host);
  /// True when the token (from the cookie) is one that was given out, or none is needed.
  bool token_opens(const std::string& token) const;
  /// Takes the code once and returns a token; empty when the code is wrong. However many wrong ones
  /// came before, the right one opens: of 32⁸ words, guessed at the pace that HttpServer allows an
  /// address (16 a second), one evening of guessing finds it with a chance of one in a million.
  std::string exchange(const std::string& code);

 private:
  void new_code() REQUIRES(mutex_);

  const bool needs_code_;
  const int port_;
  const std::function<void(const std::string&)> tell_code_;
  std::string own_name_;
  mutable Mutex mutex_;
  std::string code_ GUARDED_BY(mutex_);
  std::set<std::string> tokens_ GUARDED_BY(mutex_);
};

}  // namespace loadline
