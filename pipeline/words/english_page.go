package words

var englishPage = map[string]string{}
