#include "config/file_shape.hpp"

#include "text/toml_shape.hpp"

namespace cw {

void check_file_shape(std::string_view text, Complaints& complaints) {
  if (const auto problem = toml_shape_problem(text, engine_file_bytes_max)) {
    complaints.add(problem->line, problem->key, problem->expected, problem->found);
  }
}

}  // namespace cw
