#include "encoder_object.h"

int encoder_init(cwes_encoder *es, int form, uint32_t rate_hz, int width_bits, const char *const *names, int channels,
                 uint8_t *ring, size_t ring_size) {
  return cwes_init(es, form, rate_hz, width_bits, names, channels, ring, ring_size);
}
int encoder_edge(cwes_encoder *es, int channel, int rising, uint64_t ticks) {
  return cwes_edge(es, channel, rising, ticks);
}
void encoder_poll(cwes_encoder *es, uint64_t ticks) { cwes_poll(es, ticks); }
void encoder_flush(cwes_encoder *es) { cwes_flush(es); }
void encoder_dropped(cwes_encoder *es, uint32_t count) { cwes_dropped(es, count); }
size_t encoder_take(cwes_encoder *es, uint8_t *out, size_t max) { return cwes_take(es, out, max); }
uint16_t encoder_crc16(const uint8_t *bytes, size_t size) { return cwes_crc16(bytes, size); }
size_t encoder_cobs(const uint8_t *bytes, size_t size, uint8_t *out) { return cwes_cobs(bytes, size, out); }
