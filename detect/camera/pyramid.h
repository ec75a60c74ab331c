#ifdef __cplusplus
extern "C" {
#endif

// What gocv's binding lacks: pyramids for optical flow that are kept.
typedef struct Pyramid Pyramid;

Pyramid *PyramidNew(void);
void PyramidFree(Pyramid *p);

// 0, or 1 where OpenCV threw.
int PyramidBuild(Pyramid *p, void *mat, int window, int levels);

// from, to: n pairs of x and y; to holds where to begin. status: n bytes.
int PyramidFlow(const Pyramid *a, const Pyramid *b, float *from, float *to, unsigned char *status, int n, int window, int levels);

#ifdef __cplusplus
}
#endif
