// Package pose finds people and reads their 33 landmarks with the networks of
// MediaPipe Pose on ONNX Runtime. A frame goes through these stages:
//
//  1. Detect  the whole frame → people, each with the region around the body
//  2. Read    one region → landmarks, and the region for the next frame
//  3. Follow  one person from frame to frame: jumps to somebody else refused,
//     left and right kept apart, bones watched
//
// All points and regions that enter or leave the exported functions are in
// pixels of the displayed picture at full size, whatever size the frame was
// decoded at (see [tapeline/pipeline.Frame]); pixel centres lie at .5.
//
// Anchors, decoding, suppression, the region from the auxiliary points and the
// heatmap refinement follow the official graphs (MediaPipe, Apache-2.0, The
// MediaPipe Authors): Bazarevsky et al. 2020, arXiv:2006.10204. Landmarks are
// raw: the graphs' causal smoothing is left out, judging smooths without lag.
package pose
