// The words, numbers, texts and signs that a DBC file is made of.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace cw {

enum class DbcTokenKind : std::uint8_t {
  word,    // letters, digits and _, not beginning with a digit; bytes from 0x80 up count as letters
  number,  // whole or not, with exponent or not; a sign belongs to it when a digit follows at once
  text,    // between double quotes, lines ends included; \" within it is no end
  sign,    // one of : ; | @ + - ( ) [ ] ,
  end,     // of the file
  bad,     // anything else
};

struct DbcToken {
  DbcTokenKind kind = DbcTokenKind::end;
  std::string_view text;  // of a text: what is between the quotes, as it stands; points into the file's text
  int line = 1;           // on which it begins, from 1
  bool first_column = false;
};

// Walks through the text of a file, which must outlive it. White space (CR too) separates tokens.
class DbcTokens {
 public:
  explicit DbcTokens(std::string_view text);

  const DbcToken& now() const { return now_; }
  const DbcToken& next() const { return next_; }  // the one behind it
  void advance();

 private:
  DbcToken read();
  DbcToken read_text();

  std::string_view text_;
  std::size_t at_ = 0;
  int line_ = 1;
  std::size_t line_begin_ = 0;
  DbcToken now_;
  DbcToken next_;
};

// A number token as a double; nothing when it is not finite.
std::optional<double> dbc_number(std::string_view text);

// A number token as a whole number without a fraction or exponent; nothing when it is none or needs more than 64 bits.
// A leading minus gives the two's complement.
std::optional<std::uint64_t> dbc_whole(std::string_view text);

// A text token with \" read as ".
std::string dbc_text(std::string_view text);

// The whole file in UTF-8: as it is when it is valid UTF-8 (without a byte order mark), else read as ISO 8859-1, which
// is what most DBC files are in.
std::string dbc_utf8(std::string_view file);

}  // namespace cw
