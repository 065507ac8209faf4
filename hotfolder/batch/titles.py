"""Titles of a ticket's columns, as people write them: English, and eleven languages of Europe.

Each stands as `simplify` leaves it: small letters and digits, without blanks and accents. A word
that means two columns in two languages is left out.
"""

from __future__ import annotations

import unicodedata
from typing import Final

_WORDS: Final = """
file: file filename picture image imagefile photo datei dateiname bild bilddatei foto
    fichier nomdufichier nomdefichier archivo nombredearchivo fichero imagen nomefile
    nomedelfile immagine bestand bestandsnaam afbeelding arquivo ficheiro nomedoarquivo
    imagem fil filnamn filnavn billede bilde tiedosto tiedostonimi kuva plik nazwapliku
    obraz zdjecie soubor nazevsouboru obrazek
page: page ndepage npage ndepagina npagina pageno pagenr pagenumber seite seitenzahl
    seitennummer seitennr numerodepage nopage pagina numerodipagina numeropagina
    numerodepagina paginanummer paginanr sida
    sidnummer side sidetal sidenummer sivu sivunumero strona numerstrony nrstrony strana
    stranka cislostrany
placement: placement position place platz platzierung stelle emplacement posizione posicion
    posicao plaats plaatsing positie placering plassering plats sijainti paikka pozycja
    miejsce pozice umisteni
width: width w breite b largeur larghezza ancho anchura largura breedte bredd bredde leveys
    szerokosc sirka
height: height h hohe hoehe hauteur altezza alto altura hoogte hojd højde høyde korkeus
    wysokosc vyska
copies: copies quantity qty anzahl exemplare kopien auflage stuckzahl exemplaires quantite
    copie quantita copias cantidad ejemplares quantidade aantal exemplaren kopieen antal
    kopior exemplar antall eksemplarer kappaleet maara kopie liczba ilosc pocet
caption: caption bildunterschrift bildlegende beschriftung legende didascalia leyenda
    piedefoto legenda bijschrift onderschrift bildtext billedtekst bildetekst kuvateksti
    podpis popisek
intent: intent renderingintent wiedergabeabsicht intentionderendu intento intencion
    weergaveintentie atergivning
rendering: rendering colourrendering colorrendering wiedergabe farbwiedergabe rendu
    rendudescouleurs resa resacromatica representacion reproducciondelcolor renderizacao
    weergave kleurweergave gengivelse farvegengivelse fargatergivning gjengivelse
    fargegjengivelse toisto varintoisto odwzorowanie odwzorowaniebarw podani podanibarev
white: white whiteat whiteplace weiss weissbei weisseplatz blanc bianco blanco branco wit vitt
    hvit hvid valkoinen bialy biały bila
anchor: anchor cropanchor crop anker ausschnitt beschnitt ancrage recadrage ancora ritaglio
    ancla recorte uitsnede ankare beskarning beskæring kadrowanie orez
"""


def _read_words() -> dict[str, tuple[str, ...]]:
    found: dict[str, list[str]] = {}
    column = ""
    for line in _WORDS.splitlines():
        name, colon, rest = line.partition(": ")
        column = name if colon else column
        found.setdefault(column, []).extend((rest if colon else line).split())
    return {column: tuple(titles) for column, titles in found.items() if column}


TITLES: Final = _read_words()
"""By the column that they mean."""

COLUMNS: Final = {title: column for column, titles in TITLES.items() for title in titles}
"""The column that a title means."""


def simplify(title: str) -> str:
    """Return a title without case, blanks and punctuation; accents and wide forms aside."""
    folded = unicodedata.normalize("NFKD", title).casefold()
    return "".join(character for character in folded if character.isalnum())
