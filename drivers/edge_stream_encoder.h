/* Edge stream encoder for capture firmware (drivers/EDGE_STREAM.md, version 1). C99, freestanding: no heap, no libc,
 * this one file. Also compiles as C++.
 *
 *   static uint8_t ring[1024];
 *   static cwes_encoder es;
 *   static const char *const names[] = {"crank", "cam1"};
 *
 *   cwes_init(&es, CWES_BINARY, 1000000, 32, names, 2, ring, sizeof ring);
 *   for (;;) {
 *     while (capture_has(&c)) cwes_edge(&es, c.channel, c.level, c.ticks);   every edge, in the order of ticks
 *     cwes_poll(&es, timer_now());                                            at least every 5 ms
 *     n = cwes_take(&es, buffer, room_in_uart); uart_write(buffer, n);
 *   }
 *
 * Not reentrant: call all of it from one place (the main loop; interrupts only put edges into a queue of your own).
 * Poll before the counter could have wrapped: at least eight times a wrap, that is every 8 ms for 16 bits at 1 MHz.
 * What the ring can't hold is dropped and counted, and the count is sent before the next edge. If your own queue
 * overflows, say so with cwes_dropped(). */
#ifndef CRANKWITNESS_EDGE_STREAM_ENCODER_H
#define CRANKWITNESS_EDGE_STREAM_ENCODER_H

#include <stddef.h>
#include <stdint.h>

#define CWES_VERSION 1
#define CWES_BINARY 0
#define CWES_TEXT 1
#define CWES_CHANNELS_MAX 8
#define CWES_NAME_MAX 24  /* bytes of a channel name */
#define CWES_FRAME_MAX 254 /* bytes of a frame before COBS: one COBS block */
#define CWES_RING_MIN 640  /* bytes that cwes_init asks for: a header in text form, and some edges in half of it */

typedef struct {
  uint8_t *ring; /* bytes that wait for the line */
  size_t ring_size;
  size_t ring_begin;
  size_t ring_used;
  const char *const *names;
  uint8_t channels;
  uint8_t form;
  uint8_t width_bits;
  uint8_t checksum; /* of the text line being written */
  uint32_t rate_hz;
  uint64_t mask;
  uint64_t clock;     /* ticks without wrap; its low width_bits are the counter */
  uint64_t last_edge; /* the same of the newest edge */
  uint64_t header_at; /* when the last header, and the last frame of any kind, were written */
  uint64_t frame_at;
  uint64_t flush_ticks;
  uint64_t beat_ticks;
  uint32_t header_number; /* headers written */
  uint32_t dropped;
  uint16_t sequence; /* of the next frame or line */
  uint16_t edges;    /* edges sent in closed frames, modulo 65536 */
  uint8_t started;
  uint8_t any_edge;
  uint8_t owes_count; /* edges were dropped and the line does not know yet */
  uint8_t open_edges; /* in the frame being filled */
  uint64_t open_at;   /* its first edge */
  size_t length;      /* its bytes so far */
  uint8_t frame[CWES_FRAME_MAX];
} cwes_encoder;

/* CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF, not reflected. One byte more: */
static inline uint16_t cwes_crc16_next(uint16_t crc, uint8_t byte) {
  int bit;
  crc = (uint16_t)(crc ^ ((uint16_t)byte << 8));
  for (bit = 0; bit < 8; ++bit) {
    crc = (uint16_t)((crc & 0x8000U) != 0 ? ((uint32_t)crc << 1) ^ 0x1021U : (uint32_t)crc << 1);
  }
  return crc;
}

static inline uint16_t cwes_crc16(const uint8_t *bytes, size_t size) {
  uint16_t crc = 0xFFFFU;
  size_t i;
  for (i = 0; i < size; ++i) {
    crc = cwes_crc16_next(crc, bytes[i]);
  }
  return crc;
}

/* COBS (Cheshire and Baker 1999) of `size` bytes to `out`, which has room for size + size / 254 + 1; the bytes written,
 * none of them 0. No delimiter is added. */
static inline size_t cwes_cobs(const uint8_t *bytes, size_t size, uint8_t *out) {
  size_t code_at = 0;
  size_t to = 1;
  size_t i;
  uint8_t code = 1;
  for (i = 0; i < size; ++i) {
    if (bytes[i] != 0) {
      out[to++] = bytes[i];
      ++code;
    }
    if (bytes[i] == 0 || (code == 0xFF && i + 1 < size)) {
      out[code_at] = code;
      code_at = to++;
      code = 1;
    }
  }
  out[code_at] = code;
  return to;
}

static inline size_t cwes_room(const cwes_encoder *es) { return es->ring_size - es->ring_used; }

/* Bytes that wait to be taken. */
static inline size_t cwes_waiting(const cwes_encoder *es) { return es->ring_used; }

static inline void cwes_put(cwes_encoder *es, uint8_t byte) {
  size_t at = es->ring_begin + es->ring_used;
  es->ring[at < es->ring_size ? at : at - es->ring_size] = byte;
  ++es->ring_used;
  es->checksum ^= byte;
}

/* Moves up to `max` waiting bytes to `out`; how many. */
static inline size_t cwes_take(cwes_encoder *es, uint8_t *out, size_t max) {
  size_t count = es->ring_used < max ? es->ring_used : max;
  size_t i;
  for (i = 0; i < count; ++i) {
    out[i] = es->ring[es->ring_begin];
    es->ring_begin = es->ring_begin + 1 < es->ring_size ? es->ring_begin + 1 : 0;
  }
  es->ring_used -= count;
  return count;
}

/* ---- text form */

static inline void cwes_text(cwes_encoder *es, const char *word) {
  for (; *word != 0; ++word) {
    cwes_put(es, (uint8_t)*word);
  }
}

static inline void cwes_number(cwes_encoder *es, uint64_t value) {
  char digits[21];
  size_t at = sizeof digits - 1;
  digits[at] = 0;
  do {
    digits[--at] = (char)('0' + (int)(value % 10));
    value /= 10;
  } while (value != 0);
  cwes_put(es, ',');
  cwes_text(es, digits + at);
}

static inline void cwes_line_begin(cwes_encoder *es, char kind) {
  cwes_put(es, '$');
  es->checksum = 0;
  cwes_put(es, (uint8_t)kind);
  cwes_number(es, es->sequence++);
}

static inline void cwes_hex(cwes_encoder *es, uint8_t byte) {
  static const char digits[] = "0123456789ABCDEF";
  cwes_put(es, (uint8_t)digits[byte >> 4]);
  cwes_put(es, (uint8_t)digits[byte & 15]);
}

static inline void cwes_line_end(cwes_encoder *es) {
  uint8_t checksum = es->checksum;
  cwes_put(es, '*');
  cwes_hex(es, checksum);
  cwes_put(es, '\r');
  cwes_put(es, '\n');
}

/* ---- binary form */

static inline void cwes_add(cwes_encoder *es, uint64_t value, int bytes) { /* low byte first */
  for (; bytes > 0; --bytes) {
    es->frame[es->length++] = (uint8_t)(value & 0xFF);
    value >>= 8;
  }
}

static inline void cwes_add_leb128(cwes_encoder *es, uint64_t value) {
  while (value >= 0x80) {
    cwes_add(es, (value & 0x7F) | 0x80, 1);
    value >>= 7;
  }
  cwes_add(es, value, 1);
}

static inline void cwes_frame_begin(cwes_encoder *es, char kind) {
  es->length = 0;
  cwes_add(es, (uint8_t)kind, 1);
  cwes_add(es, es->sequence, 2);
  cwes_add(es, es->edges, 2);
  ++es->sequence;
}

static inline void cwes_frame_end(cwes_encoder *es) {
  uint8_t coded[CWES_FRAME_MAX + 2];
  uint16_t crc = cwes_crc16(es->frame, es->length);
  size_t size;
  size_t i;
  cwes_add(es, crc >> 8, 1); /* high byte first */
  cwes_add(es, crc & 0xFF, 1);
  size = cwes_cobs(es->frame, es->length, coded);
  for (i = 0; i < size; ++i) {
    cwes_put(es, coded[i]);
  }
  cwes_put(es, 0);
  es->length = 0;
}

/* Bytes on the line of a frame of `length` bytes before its CRC: COBS adds one, the delimiter is one. */
static inline size_t cwes_line_bytes(size_t length) { return length + 2 + 2; }

/* Bytes on the line of the edges gathered so far. */
static inline size_t cwes_open_bytes(const cwes_encoder *es) {
  return es->open_edges > 0 ? cwes_line_bytes(es->length) : 0;
}

/* ---- what is sent */

/* Sends the edges gathered so far. There is always room: it was looked for when they were taken. */
static inline void cwes_flush(cwes_encoder *es) {
  if (es->open_edges > 0) {
    es->edges = (uint16_t)(es->edges + es->open_edges);
    es->open_edges = 0;
    cwes_frame_end(es);
    es->frame_at = es->clock;
  }
}

static inline void cwes_send_heartbeat(cwes_encoder *es) {
  const size_t bytes_max = 48; /* "$B,65535,<20 digits>,<10 digits>*hh\r\n"; a binary one has 23 */
  if (cwes_room(es) < bytes_max + cwes_open_bytes(es)) {
    return; /* asked for again at the next edge or poll */
  }
  cwes_flush(es);
  if (es->form == CWES_TEXT) {
    cwes_line_begin(es, 'B');
    cwes_number(es, es->clock & es->mask);
    cwes_number(es, es->dropped);
    cwes_line_end(es);
  } else {
    cwes_frame_begin(es, 'B');
    cwes_add_leb128(es, es->clock & es->mask);
    cwes_add(es, es->dropped, 4);
    cwes_frame_end(es);
  }
  es->owes_count = 0;
  es->frame_at = es->clock;
}

/* A wrong tick rate that slips through the short checksum of a line would falsify a second of edges: the header line
 * has a CRC as well, of all between its $ and the comma before the CRC. */
static inline void cwes_put_line_crc(cwes_encoder *es, size_t line_begin) {
  uint16_t crc = 0xFFFFU;
  size_t i;
  for (i = line_begin + 1; i < es->ring_used; ++i) {
    crc = cwes_crc16_next(crc, es->ring[(es->ring_begin + i) % es->ring_size]);
  }
  cwes_put(es, ',');
  cwes_hex(es, (uint8_t)(crc >> 8));
  cwes_hex(es, (uint8_t)(crc & 0xFF));
}

static inline void cwes_send_header_text(cwes_encoder *es) {
  const size_t line_begin = es->ring_used;
  uint8_t i;
  cwes_line_begin(es, 'H');
  cwes_number(es, CWES_VERSION);
  cwes_number(es, es->rate_hz);
  cwes_number(es, es->width_bits);
  cwes_number(es, es->header_number);
  cwes_number(es, es->clock & es->mask);
  cwes_number(es, es->dropped);
  for (i = 0; i < es->channels; ++i) {
    cwes_put(es, ',');
    cwes_text(es, es->names[i]);
  }
  cwes_put_line_crc(es, line_begin);
  cwes_line_end(es);
}

static inline void cwes_send_header_binary(cwes_encoder *es) {
  uint8_t i;
  size_t size;
  cwes_frame_begin(es, 'H');
  cwes_add(es, CWES_VERSION, 1);
  cwes_add(es, es->rate_hz, 4);
  cwes_add(es, es->width_bits, 1);
  cwes_add(es, es->header_number, 4);
  cwes_add_leb128(es, es->clock & es->mask);
  cwes_add(es, es->dropped, 4);
  cwes_add(es, es->channels, 1);
  for (i = 0; i < es->channels; ++i) {
    for (size = 0; es->names[i][size] != 0; ++size) {
    }
    cwes_add(es, size, 1);
    for (size = 0; es->names[i][size] != 0; ++size) {
      cwes_add(es, (uint8_t)es->names[i][size], 1);
    }
  }
  cwes_frame_end(es);
}

static inline void cwes_send_header(cwes_encoder *es) {
  const size_t bytes_max = 100 + (size_t)es->channels * (CWES_NAME_MAX + 1);
  if (cwes_room(es) < bytes_max + cwes_open_bytes(es)) {
    return; /* asked for again at the next edge or poll */
  }
  cwes_flush(es);
  if (es->form == CWES_TEXT) {
    cwes_send_header_text(es);
  } else {
    cwes_send_header_binary(es);
  }
  ++es->header_number;
  es->owes_count = 0;
  es->header_at = es->clock;
  es->frame_at = es->clock;
}

/* Moves the clock on to the counter value `ticks`; the time of it without wrap. A value a little behind the clock (an
 * edge that was captured before the last poll) leaves the clock where it is. */
static inline uint64_t cwes_advance(cwes_encoder *es, uint64_t ticks) {
  uint64_t step = (ticks - es->clock) & es->mask;
  if (!es->started) {
    es->started = 1;
    es->clock = ticks & es->mask;
    es->header_at = es->clock;
    es->frame_at = es->clock;
    return es->clock;
  }
  if (step > es->mask - (es->mask >> 3)) {
    return es->clock - (es->mask - step) - 1;
  }
  es->clock += step;
  return es->clock;
}

/* Sends the header, the count of dropped edges and the heartbeat when they are due. */
static inline void cwes_keep_up(cwes_encoder *es) {
  if (es->header_number == 0 || es->clock - es->header_at >= es->rate_hz) {
    cwes_send_header(es);
  }
  if (es->owes_count) {
    /* Not before half of the ring is free: a few long stretches without edges are better than many short ones. */
    if (es->ring_used <= es->ring_size / 2) {
      cwes_send_heartbeat(es);
    }
  } else if (es->open_edges == 0 && es->clock - es->frame_at >= es->beat_ticks) {
    cwes_send_heartbeat(es);
  }
}

static inline uint8_t cwes_name_is_sound(const char *name) {
  size_t size;
  for (size = 0; name[size] != 0; ++size) {
    const char c = name[size];
    if (size == CWES_NAME_MAX || c <= ' ' || c > '~' || c == ',' || c == '*' || c == '$' || c == '"' || c == '\'') {
      return 0;
    }
  }
  return size > 0;
}

/* 1, or 0 when a setting is out of range: form; rate_hz 1,000 to 1,000,000,000; width_bits 16 to 64, the counter wraps
 * after 10 ms or more; 1 to 8 names of 1 to 24 printable ASCII characters without space and , * $ " '; ring_size at
 * least CWES_RING_MIN. `names` and `ring` must stay. Nothing is sent before the first poll or edge. */
static inline int cwes_init(cwes_encoder *es, int form, uint32_t rate_hz, int width_bits, const char *const *names,
                            int channels, uint8_t *ring, size_t ring_size) {
  int i;
  uint64_t eighth; /* of a wrap */
  if ((form != CWES_BINARY && form != CWES_TEXT) || rate_hz < 1000U || rate_hz > 1000000000U || width_bits < 16 ||
      width_bits > 64 || channels < 1 || channels > CWES_CHANNELS_MAX || ring_size < CWES_RING_MIN) {
    return 0;
  }
  es->mask = UINT64_MAX >> (64 - width_bits);
  if (es->mask < rate_hz / 100U) {
    return 0;
  }
  for (i = 0; i < channels; ++i) {
    if (!cwes_name_is_sound(names[i])) {
      return 0;
    }
  }
  es->ring = ring;
  es->ring_size = ring_size;
  es->ring_begin = 0;
  es->ring_used = 0;
  es->names = names;
  es->channels = (uint8_t)channels;
  es->form = (uint8_t)form;
  es->width_bits = (uint8_t)width_bits;
  es->checksum = 0;
  es->rate_hz = rate_hz;
  es->clock = 0;
  es->last_edge = 0;
  es->header_at = 0;
  es->frame_at = 0;
  eighth = es->mask >> 3;
  es->flush_ticks = rate_hz / 64U < eighth ? rate_hz / 64U : eighth; /* 15.6 ms: with a poll each 4 ms below 20 */
  es->beat_ticks = rate_hz / 10U < eighth ? rate_hz / 10U : eighth;
  es->header_number = 0;
  es->dropped = 0;
  es->sequence = 0;
  es->edges = 0;
  es->started = 0;
  es->any_edge = 0;
  es->owes_count = 0;
  es->open_edges = 0;
  es->open_at = 0;
  es->length = 0;
  return 1;
}

/* `count` edges were lost before they came here. */
static inline void cwes_dropped(cwes_encoder *es, uint32_t count) {
  es->dropped += count;
  es->owes_count = 1;
}

static inline int cwes_edge_text(cwes_encoder *es, uint8_t channel, int rising, uint64_t at) {
  const size_t bytes_max = 48 + CWES_NAME_MAX;
  if (cwes_room(es) < bytes_max) {
    return 0;
  }
  cwes_line_begin(es, 'E');
  cwes_put(es, ',');
  cwes_text(es, es->names[channel]);
  cwes_text(es, rising ? ",r" : ",f");
  cwes_number(es, at & es->mask);
  cwes_line_end(es);
  es->frame_at = es->clock;
  return 1;
}

/* An edge in a frame: the ticks since the edge before it, times 16, and twice the channel, and 1 if it rises; high byte
 * first, in 2, 3 or 4 bytes that begin with the bits 0, 10 or 11. */
static inline int cwes_edge_binary(cwes_encoder *es, uint8_t channel, int rising, uint64_t at) {
  const uint64_t delta_end = (uint64_t)1 << 26;
  const size_t head_max = 15; /* kind, sequence, edges, counter */
  uint64_t delta = es->open_edges > 0 ? at - es->last_edge : 0;
  uint32_t code;
  if (es->open_edges > 0 &&
      (delta >= delta_end || at - es->open_at >= es->flush_ticks || es->length + 4 + 2 > CWES_FRAME_MAX)) {
    cwes_flush(es);
    delta = 0;
  }
  if (cwes_room(es) < cwes_line_bytes((es->open_edges > 0 ? es->length : head_max) + 4)) {
    return 0;
  }
  if (es->open_edges == 0) {
    cwes_frame_begin(es, 'E');
    cwes_add_leb128(es, at & es->mask);
    es->open_at = at;
  }
  code = (uint32_t)(delta << 4) | (uint32_t)channel << 1 | (rising ? 1U : 0U);
  if (code >= (uint32_t)1 << 22) {
    cwes_add(es, 0xC0U | code >> 24, 1);
    cwes_add(es, code >> 16, 1);
  } else if (code >= (uint32_t)1 << 15) {
    cwes_add(es, 0x80U | code >> 16, 1);
  }
  cwes_add(es, code >> 8, 1);
  cwes_add(es, code, 1);
  ++es->open_edges;
  return 1;
}

/* An edge of `channel` (index into names) at the counter value `ticks`; `rising` 1 or 0. 1 when it was taken; 0 when it
 * was dropped and counted: no room, no such channel, or it lies before the edge before it. */
static inline int cwes_edge(cwes_encoder *es, int channel, int rising, uint64_t ticks) {
  const uint64_t at = cwes_advance(es, ticks);
  int taken = 0;
  cwes_keep_up(es);
  if (channel >= 0 && channel < es->channels && es->header_number > 0 && !es->owes_count &&
      !(es->any_edge && es->last_edge - at - 1 < es->mask >> 3)) {
    taken = es->form == CWES_TEXT ? cwes_edge_text(es, (uint8_t)channel, rising, at)
                                  : cwes_edge_binary(es, (uint8_t)channel, rising, at);
  }
  if (!taken) {
    cwes_dropped(es, 1);
    return 0;
  }
  es->any_edge = 1;
  es->last_edge = at;
  return 1;
}

/* To be called every few milliseconds with the counter's value now: sends what is due. */
static inline void cwes_poll(cwes_encoder *es, uint64_t ticks) {
  cwes_advance(es, ticks);
  if (es->open_edges > 0 && es->clock - es->open_at >= es->flush_ticks) {
    cwes_flush(es);
  }
  cwes_keep_up(es);
}

#endif
