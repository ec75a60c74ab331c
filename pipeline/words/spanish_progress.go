package words

var spanishProgress = map[string]string{}
