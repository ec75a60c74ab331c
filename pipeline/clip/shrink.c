#include "shrink.h"

void ShrinkThirds(const uint8_t *restrict from, int stride, uint8_t *restrict to, int w, int h, uint16_t *restrict row) {
	const int n = 9 * w / 2; // bytes of a row that comes in
	for (int y = 0; y < h; y++) {
		const uint8_t *whole = from + (y / 2 * 3 + (y % 2 ? 2 : 0)) * (long)stride;
		const uint8_t *half = from + (y / 2 * 3 + 1) * (long)stride;
		for (int i = 0; i < n; i++)
			row[i] = 2 * whole[i] + half[i];
		for (const uint16_t *r = row; r < row + n; r += 9, to += 6)
			for (int c = 0; c < 3; c++) {
				to[c] = (2 * r[c] + r[c + 3] + 4) / 9;
				to[c + 3] = (r[c + 3] + 2 * r[c + 6] + 4) / 9;
			}
	}
}

void ShrinkWhole(const uint8_t *restrict from, int stride, uint8_t *restrict to, int w, int h, int k, uint16_t *restrict row) {
	const int n = 3 * k * w; // bytes of a row that comes in
	for (int y = 0; y < h; y++, from += k * (long)stride) {
		const uint8_t *p = from, *q = p + stride, *s = q + stride;
		if (k == 3) {
			for (int i = 0; i < n; i++)
				row[i] = p[i] + q[i] + s[i];
			for (const uint16_t *r = row; r < row + n; r += 9, to += 3)
				for (int c = 0; c < 3; c++)
					to[c] = (r[c] + r[c + 3] + r[c + 6] + 4) / 9;
			continue;
		}
		const uint8_t *t = s + stride;
		for (int i = 0; i < n; i++)
			row[i] = p[i] + q[i] + s[i] + t[i];
		for (const uint16_t *r = row; r < row + n; r += 12, to += 3)
			for (int c = 0; c < 3; c++) {
				const int sum = r[c] + r[c + 3] + r[c + 6] + r[c + 9];
				to[c] = (sum + 7 + (sum >> 4 & 1)) >> 4;
			}
	}
}
