// Parts drawn to scale from their recorded sizes: a pulley's rim cut through the shaft's plane, a
// belt's section. On paper and on a screen that honours CSS millimetres one millimetre is one
// millimetre; the page says how to check that with a ruler.
#pragma once

#include <optional>
#include <string>

#include "db/basis/language.h"
#include "db/parts.h"

namespace loadline {

/// A <figure> with the drawing and its sizes in words; empty when the sizes that are recorded do
/// not make a drawing (a pulley needs rim diameter, groove top width and depth; a belt its width
/// and height, or its diameter). `scale` multiplies the size on paper, said below the drawing.
std::optional<std::string> drawing(const Part& part, double scale, const Language& language);

}  // namespace loadline
