package pipeline

// Look is how a long recording is looked through: pictures in grey, their
// longer side at most Side pixels, at most Rate a second of presentation time.
// Frame.Pix has one byte a pixel, the luma, 0 black and 255 white. Each is
// called in order of time; the frame is valid until it returns, and its error
// ends the looking.
type Look struct {
	Side int
	Rate float64
	Each func(f *Frame) error
}
