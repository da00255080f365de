#include "cli/command_line.hpp"

int main(int argc, char** argv) {
  return cw::run_command_line(argc, argv);
}
