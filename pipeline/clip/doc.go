// Package clip is the one door for pixels and sound: it looks at a file,
// decodes it and writes the finished video.
//
// A file passes these stages:
//
//  1. look: our own reading of the container's first bytes and boxes, before
//     any library is given the file (container.go)
//  2. Probe: ffprobe with the demuxer forced → pipeline.Clip (probe.go)
//  3. Open: gocv's FFmpeg backend, or an ffmpeg process for deep-colour and
//     HDR clips → frames (source.go); Audio → samples (audio.go)
//     Cut → a part of it as a file of its own (cut.go)
//  4. NewEncoder: an ffmpeg process fed with raw pictures → an MP4 that is
//     probed again before it counts as written (encode.go)
//
// Files named by a user are never handed on by name alone: ffmpeg gets
// "file:" and the absolute path, the demuxer and the protocol "file" only;
// OpenCV gets a neutral link and the same limits.
package clip
