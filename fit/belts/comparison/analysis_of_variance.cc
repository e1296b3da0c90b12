#include "fit/belts/comparison/analysis_of_variance.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "db/basis/distributions.h"
#include "db/basis/error.h"
#include "db/basis/median.h"
#include "db/basis/students_t.h"
#include "fit/belts/comparison/studentized_range.h"

namespace loadline {
namespace {

// Mean in two passes: the second takes out what rounding left in the first.
long double mean_of(std::span<const double> values) {
  const auto n = static_cast<long double>(values.size());
  long double sum = 0;
  for (const double v : values) sum += v;
  const long double first = sum / n;
  long double rest = 0;
  for (const double v : values) rest += v - first;
  return first + rest / n;
}

long double ss_about(std::span<const double> values, long double centre) {
  long double ss = 0, sum = 0;
  for (const double v : values) {
    const long double d = v - centre;
    ss += d * d;
    sum += d;
  }
  return ss - sum * sum / static_cast<long double>(values.size());
}

struct MeanAndVariance {
  double mean, variance_of_mean, freedom;
};

MeanAndVariance summary_of(std::span<const double> values) {
  if (values.size() < 2)
    throw Error(Fault::kInput,
                "Welch's test needs two readings in each group; repeat the reading.");
  const auto n = static_cast<double>(values.size());
  const long double mean = mean_of(values);
  const double variance = static_cast<double>(ss_about(values, mean)) / (n - 1);
  return {static_cast<double>(mean), variance / n, n - 1};
}

// Satterthwaite's degrees of freedom of a difference of two means.
double satterthwaite(const MeanAndVariance& a, const MeanAndVariance& b) {
  const double sum = a.variance_of_mean + b.variance_of_mean;
  return sum * sum /
         (a.variance_of_mean * a.variance_of_mean / a.freedom +
          b.variance_of_mean * b.variance_of_mean / b.freedom);
}

}  // namespace

double f_tail(double f, double freedom_1, double freedom_2) {
  if (!(f > 0) || !(freedom_1 > 0) || !(freedom_2 > 0)) return 1;
  if (std::isinf(f)) return 0;
  return f_upper_tail(f, freedom_1, freedom_2);
}

double t_tail_two_sided(double t, double freedom) {
  return 2 * student_t_upper_tail(std::fabs(t), freedom);
}

OneWay one_way(std::span<const std::vector<double>> groups) {
  OneWay table;
  std::size_t n = 0;
  long double sum = 0;
  std::vector<long double> means;
  for (const auto& group : groups) {
    if (group.empty()) throw Error(Fault::kInput, "a group without readings cannot be compared.");
    means.push_back(mean_of(group));
    table.means.push_back(static_cast<double>(means.back()));
    n += group.size();
  }
  if (groups.size() < 2 || n <= groups.size())
    throw Error(Fault::kInput,
                "an analysis of variance needs two groups and at least one repeat; add readings.");
  // The grand mean as a deviation from the first group's, so that leading digits cancel exactly.
  for (std::size_t i = 0; i < groups.size(); ++i)
    sum += static_cast<long double>(groups[i].size()) * (means[i] - means[0]);
  const long double grand = sum / static_cast<long double>(n);
  long double between = 0, within = 0;
  for (std::size_t i = 0; i < groups.size(); ++i) {
    const long double d = (means[i] - means[0]) - grand;
    between += static_cast<long double>(groups[i].size()) * d * d;
    within += ss_about(groups[i], means[i]);
  }
  table.between_freedom = static_cast<double>(groups.size() - 1);
  table.within_freedom = static_cast<double>(n - groups.size());
  table.between_ss = static_cast<double>(between);
  table.within_ss = static_cast<double>(within);
  table.residual_sd = static_cast<double>(std::sqrt(within / (n - groups.size())));
  table.f_statistic =
      static_cast<double>((between / (groups.size() - 1)) / (within / (n - groups.size())));
  table.r_squared = static_cast<double>(between / (between + within));
  table.p_value = f_tail(table.f_statistic, table.between_freedom, table.within_freedom);
  return table;
}

RandomisedBlocks randomised_blocks(const Eigen::MatrixXd& cells) {
  const auto rows = static_cast<double>(cells.rows());
  const auto columns = static_cast<double>(cells.cols());
  if (cells.rows() < 2 || cells.cols() < 2)
    throw Error(Fault::kInput, "randomised blocks need two treatments and two blocks.");
  const double grand = cells.mean();
  const Eigen::VectorXd treatment = cells.rowwise().mean().array() - grand;
  const Eigen::VectorXd block = (cells.colwise().mean().array() - grand).matrix().transpose();
  Eigen::MatrixXd rest = cells.array() - grand;
  RandomisedBlocks table;
  table.total_ss = rest.squaredNorm();
  rest.colwise() -= treatment;
  rest.rowwise() -= block.transpose();
  table.treatment_ss = columns * treatment.squaredNorm();
  table.block_ss = rows * block.squaredNorm();
  table.error_ss = rest.squaredNorm();
  table.treatment_freedom = rows - 1;
  table.block_freedom = columns - 1;
  table.error_freedom = (rows - 1) * (columns - 1);
  table.error_mean_square = table.error_ss / table.error_freedom;
  table.treatment_f = table.treatment_ss / table.treatment_freedom / table.error_mean_square;
  table.block_f = table.block_ss / table.block_freedom / table.error_mean_square;
  table.treatment_p = f_tail(table.treatment_f, table.treatment_freedom, table.error_freedom);
  table.block_p = f_tail(table.block_f, table.block_freedom, table.error_freedom);
  return table;
}

WelchTest welch_test(std::span<const double> a, std::span<const double> b) {
  const MeanAndVariance sa = summary_of(a), sb = summary_of(b);
  WelchTest test;
  const double se = std::sqrt(sa.variance_of_mean + sb.variance_of_mean);
  test.difference = sa.mean - sb.mean;
  test.degrees_of_freedom = satterthwaite(sa, sb);
  test.t = test.difference / se;
  test.p_value = t_tail_two_sided(test.t, test.degrees_of_freedom);
  const double half = student_t_975(test.degrees_of_freedom) * se;
  test.low = test.difference - half;
  test.high = test.difference + half;
  return test;
}

std::vector<Pair> all_pairs(const Eigen::VectorXd& means, const Eigen::MatrixXd& covariance,
                            double degrees_of_freedom) {
  std::vector<Pair> pairs;
  const int k = static_cast<int>(means.size());
  if (k < 2) return pairs;
  const double q = studentized_range_quantile(0.95, k, degrees_of_freedom);
  for (Eigen::Index i = 0; i < k; ++i)
    for (Eigen::Index j = i + 1; j < k; ++j) {
      const double se =
          std::sqrt(std::max(0.0, covariance(i, i) + covariance(j, j) - 2 * covariance(i, j)));
      const double d = means[i] - means[j];
      const double p =
          se > 0 ? studentized_range_tail(std::sqrt(2.0) * std::fabs(d) / se, k, degrees_of_freedom)
                 : (d == 0 ? 1.0 : 0.0);
      pairs.push_back({static_cast<std::size_t>(i), static_cast<std::size_t>(j), d,
                       q / std::sqrt(2.0) * se, p});
    }
  return pairs;
}

std::vector<Pair> all_pairs_unequal(std::span<const std::vector<double>> groups) {
  std::vector<MeanAndVariance> summaries;
  for (const auto& group : groups) summaries.push_back(summary_of(group));
  std::vector<Pair> pairs;
  const int k = static_cast<int>(groups.size());
  for (std::size_t i = 0; i < groups.size(); ++i)
    for (std::size_t j = i + 1; j < groups.size(); ++j) {
      const MeanAndVariance &a = summaries[i], &b = summaries[j];
      const double se = std::sqrt(a.variance_of_mean + b.variance_of_mean);
      const double freedom = satterthwaite(a, b);
      const double d = a.mean - b.mean;
      pairs.push_back({i, j, d, studentized_range_quantile(0.95, k, freedom) / std::sqrt(2.0) * se,
                       studentized_range_tail(std::sqrt(2.0) * std::fabs(d) / se, k, freedom)});
    }
  return pairs;
}

double equal_spread_p(std::span<const std::vector<double>> groups) {
  std::vector<std::vector<double>> distances;
  for (const auto& group : groups) {
    if (group.size() < 3) return 1;
    const double centre = median(group);
    auto& distance = distances.emplace_back();
    for (const double v : group) distance.push_back(std::fabs(v - centre));
  }
  return groups.size() < 2 ? 1 : one_way(distances).p_value;
}

std::vector<std::string> group_letters(
    std::size_t means, std::span<const std::pair<std::size_t, std::size_t>> different) {
  using Column = std::set<std::size_t>;
  Column all;
  for (std::size_t i = 0; i < means; ++i) all.insert(i);
  std::vector<Column> columns{all};
  for (const auto& [i, j] : different) {
    std::vector<Column> next;
    for (const Column& column : columns) {
      if (!column.count(i) || !column.count(j)) {
        next.push_back(column);
        continue;
      }
      for (const std::size_t out : {i, j}) {
        Column part = column;
        part.erase(out);
        next.push_back(part);
      }
    }
    columns.clear();
    for (std::size_t a = 0; a < next.size(); ++a) {
      bool absorbed = next[a].empty();
      for (std::size_t b = 0; b < next.size() && !absorbed; ++b)
        absorbed = a != b &&
                   std::includes(next[b].begin(), next[b].end(), next[a].begin(), next[a].end()) &&
                   (next[a] != next[b] || b < a);
      if (!absorbed) columns.push_back(next[a]);
    }
  }
  std::sort(columns.begin(), columns.end());
  std::vector<std::string> letters(means);
  for (std::size_t c = 0; c < columns.size(); ++c)
    for (const std::size_t i : columns[c])
      letters[i] += c < 26 ? std::string(1, static_cast<char>('a' + c)) : "z" + std::to_string(c);
  return letters;
}

}  // namespace loadline
