#include <stdint.h>

// Three pixels become two, each way: every new one is the mean of the 1.5 × 1.5
// it covers, rounded. from: packed, 3 bytes a pixel, stride bytes a row; w and h
// of what comes out, w even; row: 9 * w / 2 numbers of scratch.
void ShrinkThirds(const uint8_t *from, int stride, uint8_t *to, int w, int h, uint16_t *row);

// Three or four (k) pixels become one, each way: their mean, rounded, halves to
// the even number. row: 3 * k * w numbers of scratch; the rest as above.
void ShrinkWhole(const uint8_t *from, int stride, uint8_t *to, int w, int h, int k, uint16_t *row);
