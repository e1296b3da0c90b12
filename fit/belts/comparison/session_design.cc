#include "fit/belts/comparison/session_design.h"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace loadline {
namespace {

using Index = Eigen::Index;

std::size_t number_of(std::vector<std::string>& names, const std::string& name) {
  const auto at = std::find(names.begin(), names.end(), name);
  if (at != names.end()) return static_cast<std::size_t>(at - names.begin());
  names.push_back(name);
  return names.size() - 1;
}

// Joins belts and blocks that meet in a run until nothing changes.
void find_components(SessionLayout& layout) {
  const std::size_t belts = layout.belts.size();
  std::vector<std::size_t> label(belts + layout.blocks.size());
  std::iota(label.begin(), label.end(), std::size_t{0});
  for (bool changed = true; changed;) {
    changed = false;
    for (std::size_t r = 0; r < layout.runs(); ++r) {
      std::size_t& a = label[layout.belt_of[r]];
      std::size_t& b = label[belts + layout.block_of[r]];
      if (a == b) continue;
      a = b = std::min(a, b);
      changed = true;
    }
  }
  std::vector<std::size_t> seen;
  for (std::size_t i = 0; i < label.size(); ++i) {
    auto at = std::find(seen.begin(), seen.end(), label[i]);
    if (at == seen.end()) at = seen.insert(seen.end(), label[i]);
    const auto component = static_cast<std::size_t>(at - seen.begin());
    (i < belts ? layout.component_of_belt : layout.component_of_block).push_back(component);
  }
  layout.components = seen.size();
}

}  // namespace

SessionLayout lay_out(std::span<const TopSpeed> runs) {
  SessionLayout layout;
  double first = runs.front().order, last = first;
  for (const TopSpeed& run : runs) {
    first = std::min(first, run.order);
    last = std::max(last, run.order);
  }
  for (const TopSpeed& run : runs) {
    layout.belt_of.push_back(number_of(layout.belts, run.belt));
    layout.block_of.push_back(number_of(layout.blocks, run.block));
    layout.y.push_back(std::log(run.speed));
    layout.order.push_back(last > first ? (run.order - first) / (last - first) - 0.5 : 0.0);
  }
  find_components(layout);
  return layout;
}

LongMatrix design_of(const SessionLayout& layout, const ModelTerms& terms) {
  const auto n = static_cast<Index>(layout.runs());
  const auto belts = static_cast<Index>(layout.belts.size());
  const auto blocks = static_cast<Index>(layout.blocks.size() - layout.components);
  LongMatrix x =
      LongMatrix::Zero(n, belts + blocks + (terms.supply ? 1 : 0) + (terms.drift ? 1 : 0));
  std::vector<Index> column(layout.blocks.size(), -1);
  std::vector<std::size_t> dropped(layout.components, layout.blocks.size());
  Index next = belts;
  for (std::size_t b = 0; b < layout.blocks.size(); ++b) {
    std::size_t& out = dropped[layout.component_of_block[b]];
    if (out == layout.blocks.size())
      out = b;
    else
      column[b] = next++;
  }
  for (std::size_t r = 0; r < layout.runs(); ++r) {
    const auto row = static_cast<Index>(r);
    x(row, static_cast<Index>(layout.belt_of[r])) = 1;
    const std::size_t block = layout.block_of[r];
    if (column[block] >= 0) {
      x(row, column[block]) = 1;
    } else {
      for (std::size_t b = 0; b < layout.blocks.size(); ++b)
        if (column[b] >= 0 && layout.component_of_block[b] == layout.component_of_block[block])
          x(row, column[b]) = -1;
    }
    if (terms.supply) x(row, next) = (*layout.supply)[r];
    if (terms.drift) x(row, next + (terms.supply ? 1 : 0)) = layout.order[r];
  }
  return x;
}

}  // namespace loadline
