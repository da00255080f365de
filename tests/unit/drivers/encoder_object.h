/* The encoder of drivers/edge_stream_encoder.h as a freestanding C99 object, for tests in C++. */
#ifndef CRANKWITNESS_ENCODER_OBJECT_H
#define CRANKWITNESS_ENCODER_OBJECT_H

#include "drivers/edge_stream_encoder.h"

#ifdef __cplusplus
extern "C" {
#endif

int encoder_init(cwes_encoder *es, int form, uint32_t rate_hz, int width_bits, const char *const *names, int channels,
                 uint8_t *ring, size_t ring_size);
int encoder_edge(cwes_encoder *es, int channel, int rising, uint64_t ticks);
void encoder_poll(cwes_encoder *es, uint64_t ticks);
void encoder_flush(cwes_encoder *es);
void encoder_dropped(cwes_encoder *es, uint32_t count);
size_t encoder_take(cwes_encoder *es, uint8_t *out, size_t max);
uint16_t encoder_crc16(const uint8_t *bytes, size_t size);
size_t encoder_cobs(const uint8_t *bytes, size_t size, uint8_t *out);

#ifdef __cplusplus
}
#endif
#endif
