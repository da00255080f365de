// The libFuzzer program of a target. `PROGRAM --write FOLDER` writes its seeds to FOLDER/seeds and its dictionary to
// FOLDER/words instead of fuzzing.
#include <filesystem>
#include <fstream>

#include "target.hpp"

namespace {

void write_file(const std::filesystem::path& path, std::string_view bytes) {
  std::ofstream out(path, std::ios::binary);
  out.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  cw::fuzz::expect(out.good(), "to be able to write " + path.string());
}

void write_seeds(const std::filesystem::path& folder) {
  std::filesystem::create_directories(folder);
  // No choice made, and several.
  constexpr std::string_view choices[] = {
      std::string_view("\0\0\0\0\0\0\0\0", 8), std::string_view("\x5A\x13\xC4\x00\x21\x99\x01\x01", 8),
      std::string_view("\x01\x77\x2B\xE6\x42\x00\x0D\x02", 8), std::string_view("\xF0\x0E\x6D\x3C\x84\x11\x5E\x07", 8)};
  int count = 0;
  cw::fuzz::seeds([&](std::string_view bytes) {
    for (const std::string_view choice : choices) {
      write_file(folder / ("seed-" + std::to_string(++count)), std::string(bytes) + std::string(choice));
    }
  });
}

// https://llvm.org/docs/LibFuzzer.html#dictionaries
std::string quoted(std::string_view word) {
  std::string out = "\"";
  for (const char byte : word) {
    char hex[5];
    std::snprintf(hex, sizeof hex, "\\x%02X", static_cast<unsigned>(static_cast<unsigned char>(byte)));
    out += hex;
  }
  return out + "\"\n";
}

void write_words(const std::filesystem::path& path) {
  std::string text;
  for (const std::string_view word : cw::fuzz::words()) {
    text += quoted(word);
  }
  write_file(path, text);
}

}  // namespace

extern "C" int LLVMFuzzerInitialize(int* argc, char*** argv) {
  const std::span<char*> arguments(*argv, static_cast<std::size_t>(*argc));
  if (arguments.size() == 3 && std::string_view(arguments[1]) == "--write") {
    const std::filesystem::path folder = arguments[2];
    write_seeds(folder / "seeds");
    write_words(folder / "words");
    std::exit(0);
  }
  return 0;
}

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  cw::fuzz::run({reinterpret_cast<const char*>(data), size});
  return 0;
}
