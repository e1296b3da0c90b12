// Tables, plots and lists of the drive verb.
#pragma once

#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/drive/answer.h"
#include "fit/drive/trade_off.h"
#include "fit/report/plots/plot.h"
#include "fit/report/plots/table.h"
#include "fit/verbs/drive/drive_inputs.h"

namespace loadline {

/// The trade-off as a table; the same value prints as text and as CSV.
Table trade_off_table(const DriveDesk& desk, const std::vector<TradeOffRow>& rows);
std::string trade_off_text(const DriveDesk& desk, const std::vector<TradeOffRow>& rows);
Json trade_off_json(const std::vector<TradeOffRow>& rows);

/// The motors' curves and their machine's load line, crossing; each motor's desk asks for the same
/// machine at the same ratio. At most four are told apart.
Plot crossing_plot(const std::vector<DriveDesk>& desks);

/// One drive of --all.
struct RankedDrive {
  DriveCase drive;
  DriveAnswer answer;
};

/// Fit for use first (runs by itself within the motor's limit), then by falling top speed, machine
/// by machine.
void rank(std::vector<RankedDrive>& drives);
Json to_json(const RankedDrive& drive);
std::string ranking_text(const std::vector<RankedDrive>& drives);

}  // namespace loadline
