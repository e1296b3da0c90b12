// What is odd enough to be asked about when numbers come into the book. Not what can be (that is
// limits.h): everything here may be meant, and --yes says so.
//
// Only factors count. Plates of old motors are off by tens of per cent, a worn motor gives half, a
// sensor has an offset; a slip of units is a factor of ten, sixty or a thousand, and that is what
// the limits lie between.
#pragma once

#include <span>
#include <string>
#include <utility>
#include <vector>

#include "db/book.h"

namespace loadline {

namespace plausible {

// Mechanical power. Motors of domestic machines have plates of 30 to 200 W, small lathes to 1 kW,
// and a household's circuit gives 16 A at 230 V, 3.7 kW; mN·m taken for N·m makes 70 W to 70 kW,
// g·cm for N·m to 700 kW.
inline constexpr double kMostPowerW = 4e3;
// Against the plate: a motor held at its peak gives up to twice what a plate of continuous power
// says; 20 is beyond any, and still far below a thousand.
inline constexpr double kMostOfRated = 20;
// A brake run that never loads the motor gives little, but a fiftieth of the plate's power is no
// brake run: N·m given as kN·m, or rpm and torque both in wrong units.
inline constexpr double kLeastOfRated = 1.0 / 50;
// A run-up that takes less than this from its motor moves nothing that is on a bench: kg·m² taken
// for g·cm² is a factor of ten million.
inline constexpr double kLeastRunUpW = 0.05;

// Inertia of rotor and disc of a spin-up or a brake, and of a disc added to a coast-down: a steel
// disc of 250 mm and 20 mm thickness (7.7 kg) has 0.06 kg·m², more than a hand carries to a motor's
// shaft.
inline constexpr double kMostDiscKgm2 = 0.1;
// The whole inertia of a machine that coasts down: a treadle's iron wheel of 330 mm and 4 kg has
// 0.1, a lathe's headstock with its chuck 0.05.
inline constexpr double kMostMachineKgm2 = 2;

// Rows closer than a fifth of a millisecond come from no tachometer; milliseconds are not seconds
// divided by a thousand.
inline constexpr double kLeastIntervalS = 2e-4;
// Rows further apart than this are milliseconds taken for seconds where a shaft coasts or runs up,
// which takes seconds to minutes; many of a brake run are that, too, or steady points that belong
// into a table without times.
inline constexpr double kMostIntervalS = 5;
inline constexpr int kManyRows = 50;
// A shaft coasts for seconds to minutes; a held hand wheel is let go after two seconds.
inline constexpr double kLongestCoastS = 1200;
inline constexpr double kLongestSlipCheckS = 120;
// A hand wheel with next to no inertia and stiff with old oil stands within half a second; minutes
// taken for seconds make a second of a minute.
inline constexpr double kShortestCoastS = 0.2;

// Speeds: the quickest small motors run at 60,000 rpm, a spindle's hand wheel never does.
inline constexpr double kMostMotorRpm = 200e3;
inline constexpr double kMostHandwheelRpm = 20e3;
// A motor that is let run, and a hand wheel that coasts or is driven, come to hundreds and
// thousands; thousands of turns a minute taken for turns are below these.
inline constexpr double kLeastMotorRpm = 60;
inline constexpr double kLeastHandwheelRpm = 3;
// Motor over hand wheel is 3 to 12 on these machines, 1 on direct drives, 30 with a countershaft;
// rad/s taken for rpm in one of the two is a factor of 9.5.
inline constexpr double kLeastRatio = 0.3, kMostRatio = 60;
// Of pulleys in the book the ratio is known, slip included, within a factor of two.
inline constexpr double kMostRatioOff = 2;
// The highest speed without load against the highest that is permitted: rad/s taken for rpm is a
// factor of 9.5 below it. A motor at a lower voltage is left alone.
inline constexpr double kLeastOfMaxRpm = 0.2;
// A share of rows that run backwards, by more than noise about standstill would.
inline constexpr double kBackwardShare = 0.02, kBackwardOfTop = 0.05;

inline constexpr double kMostTorqueNm = 100;
// Of a brake run: a lathe's motor of 1 kW on four poles has a rated torque of 7 N·m and pulls two
// to three times as much before it stalls (common practice); domestic ones stay below 2. On an arm
// of 100 mm 40 N·m are 40 kg at the cell. mN·m of the weakest motors, taken for N·m, are 60.
inline constexpr double kMostBrakeTorqueNm = 40;
// Of a brake run: a motor of 4 W at 8,000 rpm has 5 mN·m, and a brake shows more than its tenth.
inline constexpr double kLeastBrakeTorqueNm = 1e-3;
// It shows more than a quarter of that power, too; kN·m of a motor of 1 kW is less.
inline constexpr double kLeastBrakePowerW = 1;
inline constexpr double kMostSupplyV = 1000;
inline constexpr double kMostOfRatedV = 3;  // kV and mV are a thousand
// An insulation of the best class stands 180 °C (IEC 60085, class H); K are 273 more.
inline constexpr double kLowestC = -60, kHighestC = 200;

// A coast-down ends lower than it began: at its end it has less than this share of its top speed.
inline constexpr double kCoastEnd = 0.95;
// It rises nowhere on its way by this share of its top speed, over a twentieth of its rows.
inline constexpr double kMostRiseOfCoast = 0.3;
// A top speed does not end at less than half of what it was, nor are typed readings of one so far
// apart: a digit is missing, or one too many.
inline constexpr double kMostTopSpeedFall = 0.5;
// A run without load settles: over its later two thirds a speed that varies by more than this is a
// sweep (nine tenths of the rows against each other).
inline constexpr double kMostNoLoadSweep = 1.6;
// No zero of a cell is off by so much, so the motor was braked.
inline constexpr double kMostNoLoadTorqueNm = 0.05;
inline constexpr double kMostNoLoadPowerW = 20;
// So many rows of one and the same value come from no sensor.
inline constexpr int kRowsOfOneValue = 20;

// Masses at the load cell: cells of such benches take 0.1 to 20 kg.
inline constexpr double kLeastHeaviestG = 10, kMostHeaviestG = 50e3;
// The same cell gives the same counts for a newton; a kilogram taken for a gram is a thousand.
inline constexpr double kMostSlopeChange = 5;

}  // namespace plausible

/// An evenly thinned picture of a run's rows, taken while they stream by.
class RunSurvey {
 public:
  void take(std::span<const ImportedReading> rows);
  /// At most 4096 of all rows, in order, the first one among them.
  const std::vector<ImportedReading>& rows() const { return rows_; }
  std::int64_t count() const { return count_; }
  /// Mean time between rows; NaN for fewer than two.
  double interval_s() const;
  double duration_s() const;

 private:
  std::vector<ImportedReading> rows_;
  std::int64_t count_ = 0, stride_ = 1;
  double first_s_ = 0, last_s_ = 0;
};

/// What is odd about an imported run, each a clause that says what and what to do; empty when
/// nothing is. The run's motor, machine and pulleys are looked up in `book`.
std::vector<std::string> oddities(const Book& book, const Run& run, const RunSurvey& survey);

/// The inertias named for a run that are more than such a shaft carries, by the field's name
/// ("inertia-kgm2", "added-inertia-kgm2").
std::vector<std::pair<std::string, double>> large_inertias(const Run& run);
/// The same in words.
std::vector<std::string> odd_inertias(const Run& run);

/// A name that differs from one of the book's in capitals or blanks only, as a clause; else empty.
std::string odd_name(const Book& book, const Part& part);

/// What is odd about a calibration of a rig: `heaviest_g` of its masses, and its slope against
/// the rig's last one.
std::vector<std::string> odd_calibration(double heaviest_g, const Calibration& fresh,
                                         const std::optional<Calibration>& last);

/// A run of the book with the same rows and the same subjects, not `run` itself; 0 for none.
std::int64_t same_content(const Book& book, const Run& run);

}  // namespace loadline
