"""Names of columns that announce a direct identifier, in the languages of the clinics that we know of."""

from __future__ import annotations

import re
from typing import Final

WORDS: Final[dict[str, str]] = {
    "a name": """
        name names surname lastname firstname forename givenname familyname fullname middlename initials patientname
        patientenname vorname nachname familienname rufname zuname geburtsname
        nom nomfamille prenom prenoms nompatient patronyme
        nombre apellido apellidos nombres cognome nomecognome nomepaziente primeironome sobrenome
        voornaam achternaam naam efternamn fornamn namn navn fornavn etternavn efternavn imie nazwisko sukunimi etunimi
    """,
    "a patient number": """
        patient patients patientid patientno patientnumber patientnr patid patno patnr patnummer patientennummer
        patientennr patientenid recordnumber medicalrecordnumber medicalrecord mrn chartnumber chartno hospitalnumber
        numeropatient numpatient nopatient ipp nip numerodossier nodossier dossierpatient
        numeropaziente idpaziente numerocartella historiaclinica numeropaciente idpaciente patientnummer
    """,
    "an e-mail address": """
        email emails emailadresse emailaddress mail mailadresse epost courriel correo correoelectronico
    """,
    "a telephone number": """
        telephone telefon telefono telefoon phone phonenumber phoneno mobile mobil mobilnummer mobilenumber cell
        cellphone handy handynummer natel tel telnr telno telprivat telefonnummer telefonnr fax faxnumber faxnr portable
        numerotelephone cellulare movil
    """,
    "a postal address": """
        address adresse anschrift wohnadresse homeaddress postaladdress street streetaddress strasse strassenr wohnort
        wohnsitz postcode postalcode zip zipcode plz plzort ort city town county postleitzahl rue codepostal ville
        adressepostale direccion calle codigopostal ciudad indirizzo via cap citta endereco adres straat woonplaats
        adress postnummer postort hausnummer
    """,
    "a birth date": """
        birthdate birthday dateofbirth dob birth born geburtsdatum geburtstag gebdatum gebdat geborenam geboren gebtag
        datedenaissance datenaissance naissance ddn nele neele fechanacimiento fechadenacimiento nacimiento
        datanascita datadinascita nascita datadenascimento geboortedatum fodelsedatum fodselsdato datasnasc
    """,
    "a national or insurance number": """
        ssn socialsecurity socialsecuritynumber sin nationalnumber nationalid nationalidnumber idnumber identitycard
        insurance insurancenumber insuranceno insurancenr healthinsurance policynumber versichertennummer versichertennr
        versicherungsnummer krankenkasse kvnr kvnummer ahv ahvnr ahvnummer avs noavs numeroavs svnr svnummer
        sozialversicherungsnummer nhs nhsnumber nir numerosecu numerosecuritesociale securitesociale passport
        passportnumber passportno passnummer reisepass ausweis ausweisnummer carteidentite dni nie nif codicefiscale
        tesserasanitaria bsn personnummer fodselsnummer cpr pesel steuerid licence license licencenumber licensenumber
        licencenr lizenznummer driverslicense certificate
    """,
    "a bank account number": "iban account accountnumber kontonummer kontonr konto bankkonto compte numerocompte bic",
    "another direct identifier": """
        url website web homepage ip ipaddress ipadresse photo foto picture image bild portrait fingerprint voice
        vehicle licenseplate licenceplate numberplate kennzeichen immatriculation deviceid serialnumber seriennummer
        mac macaddress geo gps coordinates latitude longitude employer arbeitgeber employeur
        relative relatives nextofkin angehorige contactperson kontaktperson emergencycontact hausarzt
    """,
    "free text": """
        comment comments note notes remark remarks freetext description diagnosis anamnesis narrative
        observations letter bemerkung bemerkungen kommentar kommentare notiz notizen anmerkung anmerkungen freitext
        beschreibung diagnose anamnese verlauf arztbrief commentaire commentaires remarque remarques diagnostic
        description notelibre texte textelibre comentario comentarios observaciones notas commento commenti osservazioni
        nota diagnosi opmerking opmerkingen anteckning anteckningar kommentti uwagi
    """,
}
"""What the column holds -> its names, folded to plain letters. From memory."""

TELLING: Final = frozenset(
    """
    vorname nachname familienname geburtsdatum geburtstag surname firstname lastname prenom nom cognome apellido
    apellidos email mail courriel telefon telephone telefono phone mobile handy natel tel adresse address anschrift
    strasse street postcode plz zip iban ssn ahv avs dob birthdate birthday naissance mrn passport versichertennummer
    insurance comment comments kommentar bemerkung bemerkungen commentaire remarque name
    """.split()  # noqa: SIM905 - words in lines are read more easily than a hundred quoted ones
)
"""Words that announce it wherever they stand in a name ("Tel. privat", "Name des Patienten")."""

_KINDS: Final = {word: kind for kind, text in WORDS.items() for word in text.split()}
_FOLDED = str.maketrans("äöüéèêëàâçñóíáúßåøôîïûžščłęąń", "aoueeeeaacnoiausaooiiuzsclean")


def announced(column: str) -> str | None:
    """Say what the name of a column announces, or None.

    Examples
    --------
    >>> announced("Geb.-Datum"), announced("Tel. privat"), announced("Nom du patient"), announced("Griffposition")
    ('a birth date', 'a telephone number', 'a name', None)
    """
    plain = column.casefold().translate(_FOLDED)
    without_brackets = re.sub(r"\([^)]*\)", "", plain)
    for form in (plain, without_brackets):
        kind = _KINDS.get(re.sub(r"[^a-z]", "", form))
        if kind:
            return kind
    tokens = re.findall(r"[a-z]+", plain.replace("e-mail", "email"))
    return next((_KINDS.get(token, "a direct identifier") for token in tokens if token in TELLING), None)
