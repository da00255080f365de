// A finding's raw edges drawn, and said in words.
#pragma once

#include <string>
#include <vector>

#include "report/evidence.hpp"

namespace cw {

// `id`: of the drawing in the page. `label`: what the finding is, in a line.
std::string evidence_svg(const std::string& id, const std::string& label, const EvidencePicture& picture,
                         double cycle_deg);

// What can be seen in it, a sentence each: edges that are odd, teeth that are missing, what a plain counter would have
// done. So the drawing is not needed to know it.
std::vector<std::string> evidence_in_words(const EvidencePicture& picture, double cycle_deg);

}  // namespace cw
