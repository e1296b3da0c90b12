// Where a belt rides in a groove: by its sides, on the bottom, or on the rim; and at what diameter
// it then works.
//
// Geometry of a section across the pulley, lengths in mm, angles in degrees between the two sides.
// A V-belt is soft enough to take the groove's angle: it sinks until its width at half height is
// the groove's width there. A round belt touches the sides of a V where the perpendiculars from its
// centre meet them; too big for that, it rests on the two edges of the rim. The tension line lies
// 0.34 of the height below the top of a V-belt (from the datum widths of ISO 4183 for Z and A:
// (top − datum width)/2 divided by tan 20° is 2.06 of 6 mm and 2.75 of 8 mm), in the middle of
// round and flat ones. It neglects squeezing of round belts and the bending of V-belts on small
// pulleys, which narrows their angle by a few degrees. Pure functions; any thread.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/parts.h"

namespace loadline {

enum class BeltKind { kV, kRound, kFlat };

struct BeltSection {
  BeltKind kind = BeltKind::kV;
  double width_mm = 0;    ///< at the top; of a round belt its diameter
  double height_mm = 0;   ///< of a round belt its diameter
  double angle_deg = 40;  ///< of a V-belt; 40 is nominal for the classical sections
};

struct Groove {
  double top_mm = 0;     ///< width at the rim
  double depth_mm = 0;   ///< below the rim, at the deepest
  double angle_deg = 0;  ///< between the sides
  std::string bottom = "flat";
  double rim_mm = 0;  ///< diameter over the rim; 0: unknown, then no effective diameter
};

enum class Ride {
  kSides,     ///< as it should be
  kBottom,    ///< on the bottom, sides idle: hardly any grip
  kDeep,      ///< by its sides, but sunk by more than half its height
  kRimEdges,  ///< on the two edges of the rim
  kRim,       ///< on top, cannot enter at all
  kFace,      ///< a flat belt on a face wide enough for it
};
const char* ride_name(Ride ride);

struct Seat {
  Ride ride = Ride::kSides;
  bool fits = false;
  std::vector<std::string> touches;  ///< "sides", "bottom", "rim edges", "rim", "face"
  double top_below_rim_mm = 0;       ///< negative: stands proud
  double bottom_clearance_mm = 0;    ///< below the belt
  Estimate effective_diameter;       ///< mm, at the tension line; unknown without the rim
  std::string reason;                ///< a sentence
  std::vector<std::string> warnings;
};

/// Error(kInput) for a size that is missing, not positive, or impossible (a groove whose sides meet
/// above its bottom is taken as deep as they meet).
Seat seat(const BeltSection& belt, const Groove& groove);

/// From the book's parts. Empty when sizes are missing; `missing` then names the options to set.
std::optional<BeltSection> section_of(const Part& belt, std::string& missing);
std::optional<Groove> groove_of(const Part& pulley, std::string& missing);

/// The section across groove and belt, drawn to scale (10 : 1), as an SVG document.
std::string seat_drawing(const BeltSection& belt, const Groove& groove, const Seat& seat);

Json to_json(const Seat& seat);

}  // namespace loadline
