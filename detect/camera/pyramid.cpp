#include "pyramid.h"

#include <opencv2/core.hpp>
#include <opencv2/video/tracking.hpp>
#include <vector>

struct Pyramid {
	std::vector<cv::Mat> levels; // each picture followed by its derivatives
};

// No exception may leave for Go.
template <typename F> static int caught(F f) {
	try {
		f();
		return 0;
	} catch (...) {
		return 1;
	}
}

Pyramid *PyramidNew(void) { return new Pyramid; }

void PyramidFree(Pyramid *p) { delete p; }

int PyramidBuild(Pyramid *p, void *mat, int window, int levels) {
	return caught([&] {
		cv::buildOpticalFlowPyramid(*static_cast<cv::Mat *>(mat), p->levels, cv::Size(window, window), levels - 1, true,
			cv::BORDER_REFLECT_101, cv::BORDER_CONSTANT, false);
	});
}

int PyramidFlow(const Pyramid *a, const Pyramid *b, float *from, float *to, unsigned char *status, int n, int window, int levels) {
	return caught([&] {
		cv::Mat f(n, 1, CV_32FC2, from), t(n, 1, CV_32FC2, to), s(n, 1, CV_8U, status);
		const cv::TermCriteria end(cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 30, .01);
		cv::calcOpticalFlowPyrLK(a->levels, b->levels, f, t, s, cv::noArray(), cv::Size(window, window), levels - 1, end,
			cv::OPTFLOW_USE_INITIAL_FLOW, 1e-4);
		// Whoever called holds this memory: had OpenCV taken its own, nothing would
		// have been written here.
		CV_Assert(t.data == reinterpret_cast<uchar *>(to) && s.data == status);
	});
}
