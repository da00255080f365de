// How serial ports and TCP addresses are opened; over a real pseudo-terminal and real sockets.
#include <asm/termbits.h>
#include <fcntl.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <chrono>
#include <vector>

#include "drivers/registry.hpp"

namespace cw {
namespace {

struct Master {
  Master() {
    ::grantpt(descriptor);
    ::unlockpt(descriptor);
  }
  Master(const Master&) = delete;
  Master& operator=(const Master&) = delete;
  ~Master() { ::close(descriptor); }
  const int descriptor = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
  std::string path() const { return ::ptsname(descriptor); }
};

TEST(SerialPort, is_raw_8n1_at_any_rate_locked_and_for_reading_only) {
  // 74880: the boot rate of some modules, not among the constants of termios.
  for (const int baud : {9600, 74880, 115200, 250000, 3000000}) {
    const Master device;
    const Opened port = find_driver("serial")->open({device.path(), baud, false});
    ASSERT_GE(port.descriptor, 0) << port.problem;
    termios2 settings{};
    ASSERT_EQ(::ioctl(port.descriptor, TCGETS2, &settings), 0);
    EXPECT_EQ(settings.c_ispeed, static_cast<speed_t>(baud));
    EXPECT_EQ(settings.c_cflag & (CSIZE | PARENB | CSTOPB | CRTSCTS | CREAD | CLOCAL | HUPCL), CS8 | CREAD | CLOCAL);
    EXPECT_EQ(settings.c_lflag & (ICANON | ECHO | ISIG), 0U);
    EXPECT_EQ(settings.c_iflag & (IXON | IXOFF | ICRNL | INLCR | ISTRIP), 0U);
    int locked = 0;
    EXPECT_EQ(::ioctl(port.descriptor, TIOCGEXCL, &locked), 0);
    EXPECT_EQ(locked, 1);
    EXPECT_EQ(::fcntl(port.descriptor, F_GETFL) & O_ACCMODE, O_RDONLY);
    // Every byte value comes as it is.
    std::string all;
    for (int byte = 0; byte < 256; ++byte) {
      all.push_back(static_cast<char>(byte));
    }
    ASSERT_EQ(::write(device.descriptor, all.data(), all.size()), 256);
    std::string got;
    pollfd readable = {port.descriptor, POLLIN, 0};
    while (got.size() < all.size() && ::poll(&readable, 1, 1000) > 0) {
      char some[256];
      const ssize_t count = ::read(port.descriptor, some, sizeof some);
      ASSERT_GT(count, 0);
      got.append(some, static_cast<std::size_t>(count));
    }
    EXPECT_EQ(got, all);
    pollfd echo = {device.descriptor, POLLIN, 0};
    EXPECT_EQ(::poll(&echo, 1, 50), 0) << "nothing is sent, no echo either";
    ::close(port.descriptor);
  }
}

TEST(SerialPort, that_is_not_there_or_none_says_so) {
  const DriverEntry& serial = *find_driver("serial");
  EXPECT_EQ(serial.open({"/no/such/port", 115200, false}).problem,
            "/no/such/port: cannot open: No such file or directory");
  EXPECT_EQ(serial.open({"/dev/null", 115200, false}).problem,
            "/dev/null: expected a serial port, found something else");
  EXPECT_EQ(serial.address_problem({"/etc/hostname", 115200, false}),
            "/etc/hostname: expected a serial port, found something else");
  EXPECT_EQ(serial.address_problem({"/dev/ttyX", 0, false}),
            "/dev/ttyX: expected a baud rate from 50 to 12000000, found 0");
  EXPECT_EQ(serial.address_problem({"/no/such/port", 115200, false}), "") << "it may be plugged in later";
}

TEST(TcpAddress, of_this_computer_is_taken_and_of_others_only_when_allowed) {
  const auto problem = find_driver("tcp")->address_problem;
  for (const char* here :
       {"127.0.0.1:7000", "127.255.255.254:1", "[::1]:65535", "localhost:7000", "[::ffff:127.0.0.1]:7000"}) {
    EXPECT_EQ(problem({here, 0, false}), "") << here;
  }
  for (const char* there : {"192.0.2.1:7000", "[2001:db8::1]:7000", "[::]:7000", "0.0.0.0:7000", "dyno-cell:7000",
                            "localhost.example:7000", "128.0.0.1:7000"}) {
    EXPECT_NE(problem({there, 0, false}), "") << there;
    EXPECT_EQ(problem({there, 0, true}), "") << there;
  }
  for (const char* bad : {"", ":", ":7000", "a", "a:", "a:0", "a:65536", "a:-1", "a: 1", "a:1 ", "::1:7000", "[::1]",
                          "[]:7000", "[::1:7000", "a:99999999999999999999"}) {
    EXPECT_NE(problem({bad, 0, true}), "") << bad;
  }
}

TEST(TcpAddress, ipv6_in_brackets_connects_and_keep_alive_is_on) {
  const int listener = ::socket(AF_INET6, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_in6 address{};
  address.sin6_family = AF_INET6;
  address.sin6_addr = in6addr_loopback;
  socklen_t size = sizeof address;
  if (::bind(listener, reinterpret_cast<sockaddr*>(&address), size) != 0) {
    ::close(listener);
    GTEST_SKIP() << "no IPv6 here";
  }
  ::listen(listener, 1);
  ::getsockname(listener, reinterpret_cast<sockaddr*>(&address), &size);
  const Opened link = find_driver("tcp")->open({"[::1]:" + std::to_string(ntohs(address.sin6_port)), 0, false});
  EXPECT_GE(link.descriptor, 0) << link.problem;
  int on = 0;
  size = sizeof on;
  EXPECT_EQ(::getsockopt(link.descriptor, SOL_SOCKET, SO_KEEPALIVE, &on, &size), 0);
  EXPECT_EQ(on, 1);
  // Asked after 5 s, every 3 s, three times: gone within 14 s.
  for (const auto& [option, seconds] : {std::pair{TCP_KEEPIDLE, 5}, {TCP_KEEPINTVL, 3}, {TCP_KEEPCNT, 3}}) {
    int value = 0;
    size = sizeof value;
    EXPECT_EQ(::getsockopt(link.descriptor, IPPROTO_TCP, option, &value, &size), 0);
    EXPECT_EQ(value, seconds);
  }
  EXPECT_NE(::fcntl(link.descriptor, F_GETFL) & O_NONBLOCK, 0);
  ::close(link.descriptor);
  ::close(listener);
}

// A listener whose queue is full answers nobody: the connection is begun and never stands.
TEST(TcpAddress, that_never_answers_is_given_up_after_3_s) {
  const int listener = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  socklen_t size = sizeof address;
  ASSERT_EQ(::bind(listener, reinterpret_cast<sockaddr*>(&address), size), 0);
  ASSERT_EQ(::listen(listener, 0), 0);
  ::getsockname(listener, reinterpret_cast<sockaddr*>(&address), &size);
  std::vector<int> waiting;
  for (int i = 0; i < 4; ++i) {
    waiting.push_back(::socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0));
    ::connect(waiting.back(), reinterpret_cast<sockaddr*>(&address), size);
  }
  const std::string where = "127.0.0.1:" + std::to_string(ntohs(address.sin_port));
  const auto begin = std::chrono::steady_clock::now();
  const Opened link = find_driver("tcp")->open({where, 0, false});
  const auto took = std::chrono::steady_clock::now() - begin;
  EXPECT_LT(link.descriptor, 0);
  EXPECT_EQ(link.problem, where + ": cannot open: Connection timed out");
  EXPECT_GT(took, std::chrono::milliseconds(2900));
  EXPECT_LT(took, std::chrono::milliseconds(6000));
  for (const int one : waiting) {
    ::close(one);
  }
  ::close(listener);
}

}  // namespace
}  // namespace cw
