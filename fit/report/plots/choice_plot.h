// A choice from the drawer as a picture: candidates with their intervals, the aim as a line.
#pragma once

#include <string>

#include "fit/choose/choice.h"
#include "fit/report/plots/plot.h"

namespace loadline {

/// Top speed of the best few, under the cloth where that was asked for; those that meet the aims
/// for sure and those that may not look different. The machine's limit is a line too.
Plot choice_plot(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice,
                 const std::string& id);

}  // namespace loadline
