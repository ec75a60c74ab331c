package page

func (l *Lesson) PDF() ([]byte, error) { return nil, nil }
