// The page at the bench: a small web server for one LiveDesk.
#pragma once

#include <memory>
#include <string>

#include "logger/live/desk.h"

namespace loadline {

class Answers;

struct PageOptions {
  int port = 8347;  ///< 0: any free one
  Answers* answers =
      nullptr;          ///< where questions go; null: none are taken. Must outlive the server
  bool listen = false;  ///< on the network as well, with a code; else on this machine only
};

class PageServer {
 public:
  /// Serves until destroyed, in threads of its own. Error(kInput) when the port is taken.
  PageServer(LiveDesk& desk, const PageOptions& options);
  ~PageServer();
  PageServer(const PageServer&) = delete;
  PageServer& operator=(const PageServer&) = delete;
  int port() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace loadline
