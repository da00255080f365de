// The files of the live page, put into the program when it is built (embed_page.cmake).
#pragma once

#include <span>
#include <string_view>

namespace cw {

struct PageFile {
  std::string_view path;  // as a browser asks for it, "/page.css"
  std::string_view content_type;
  std::string_view etag;  // with its quotes; another when the content is another
  std::string_view content;
};

std::span<const PageFile> page_files();

// Changes with any of the files: a page that was loaded from another version loads itself anew.
std::string_view page_version();

}  // namespace cw
