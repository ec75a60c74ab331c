package words

var spanishNumberCards = map[string]string{
	"title": "Tarjetas de número",
	"how":   "Recorta las tarjetas. Filma una tarjeta un segundo: los swings que siguen son de ese jugador, hasta la próxima.",
	"made":  "%s: tarjetas: %d",
}
