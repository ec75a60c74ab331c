package words

var englishProgress = map[string]string{}
