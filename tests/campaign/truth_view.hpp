// Questions to a truth that the judge asks often.
#pragma once

#include <cstdint>
#include <vector>

#include "campaign/draw.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

struct Span {
  std::int64_t from_ns = 0;
  std::int64_t to_ns = 0;
};

// Length of an engine cycle at the speed of that moment, counted as at least 30 rpm.
std::int64_t cycle_ns(const sim::Truth& truth, std::int64_t t_ns);

// Unwrapped crank angle, linear between samples.
double turned_deg(const sim::Truth& truth, std::int64_t t_ns);
// First time at which the crank has turned that far; the end of the run when it never does.
std::int64_t time_of_deg(const sim::Truth& truth, double crank_deg);

// Whether `t_ns` lies between `cycles_before` the span and `cycles_after` it, counted in crank degrees
// turned (a cranked engine's speed changes too much within a cycle to count in time).
bool begins_near(const sim::Truth& truth, const Span& span, double cycles_after, std::int64_t t_ns,
                 double cycles_before = 1);

std::vector<Span> standing_spans(const sim::Truth& truth);
std::vector<Span> backward_spans(const sim::Truth& truth);

// The truth's entries of one planned fault: kinds are drawn once a run, so the kind pairs them.
std::vector<sim::TruthFault> entries_of(const sim::Truth& truth, sim::FaultKind kind);
// From the first entry to the end of the last: a dead signal or a changed reference without an end lasts to the end of
// the run, a step until it has built up.
Span span_of(const sim::Fault& fault, const std::vector<sim::TruthFault>& entries, const sim::Truth& truth);

double pitch_deg(const Engine& engine);

}  // namespace cw::campaign
