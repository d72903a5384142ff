"""The names, streets and towns the scenario draws from. All invented or common; none stands for anybody."""


def _names(text: str) -> list[str]:
    return text.split()


GIVEN = _names(
    """
    Ada Adrian Aisha Alma Amir Ana Andre Anika Arlo Asha Beatriz Ben Bianca Boris Bruno Callum Camila Carla Cato Celia
    Chen Clara Cora Cyrus Dalia Damian Dana Daria David Delia Devon Dina Diego Dora Edda Edgar Elena Elio Elsa Emil
    Emma Enzo Erika Esme Ezra Fatima Felix Fern Finn Flora Gabriel Gemma Gia Gideon Greta Gus Hana Hank Hazel Hector
    Hugo Ida Imani Ines Ingrid Iris Isaac Ivan Jada Jalen Jamal Jana Jasper Joel Jonas Josie Juan Judith Kai Kamal
    Kara Keiko Kenji Kira Lars Layla Lena Leo Lila Linh Lola Luca Lucia Luz Maeve Malik Mara Marco Marisol Mateo Maya
    Mei Mila Minh Mira Nadia Naomi Nate Nico Nina Noah Nora Odin Olga Omar Orla Oscar Owen Paula Pedro Petra Pia Priya
    Quinn Rafael Ravi Remy Rhea Rico Rosa Ruben Ruth Sadia Salma Samir Sara Selma Sergio Silas Simone Sofia Soren
    Stella Sunil Talia Tariq Tess Theo Tomas Ulla Uma Vera Victor Vivian Wade Willa Xavier Yara Yusuf Zara Zeke
    """
)

FAMILY = _names(
    """
    Abara Acosta Adeyemi Aguilar Ahmed Alder Amato Andersen Archer Arroyo Ashby Avila Baptiste Barlow Batra Becker
    Bello Benitez Berg Bishop Blum Bowen Brandt Briggs Cabrera Calderon Camara Cano Carver Castillo Chandra Chaudhry
    Choi Cohen Conway Cordero Crane Cruz Dahl Dalton Danso Darby Delgado Desai Diallo Dominguez Dorsey Drake Duarte
    Dunn Eaton Egan Eklund Ellis Emery Espinoza Farah Faulkner Ferreira Fields Finch Fischer Flores Fontaine Foster
    Frost Fuentes Gallo Garner Gibbs Gomez Grant Greer Guerra Gupta Haas Haddad Hale Hansen Harlow Hassan Hayes
    Herrera Hicks Hoang Holt Huang Huerta Hughes Ibarra Ibrahim Ingram Iqbal Ito Jansen Jarvis Jensen Joshi Juarez
    Kang Kaplan Kaur Keane Keller Khan Kimura Klein Knox Kovac Kumar Lam Lang Larsen Leal Lemos Leon Lindqvist Lowe
    Lugo Lynch Mahoney Malone Mancini Marin Marsh Mbeki Mehta Mendez Mercer Meyer Miles Molina Monroe Mora Moreau
    Morrow Murillo Nair Nash Navarro Ngo Nolan Norris Novak Nunez Obi Ochoa Okafor Olsen Onyango Ortega Osei Osman
    Pacheco Paine Palmer Park Patel Pena Pereira Pham Pike Pineda Porter Quiroz Rahman Ramirez Rao Reyes Rhodes Rios
    Rivera Robles Rojas Romano Rosales Rowe Ruiz Salas Salazar Sandoval Santos Sato Schultz Serrano Shah Sharma Shaw
    Silva Singh Solis Sorensen Soto Stein Stone Suarez Sutton Takeda Tanaka Tate Thorne Torres Tran Trevino Ueda
    Valdez Vance Varga Vasquez Vega Vogel Wade Walsh Ward Watts Weber Weiss West Wilder Wolfe Wynn Yamada Yang York
    Yoder Zamora Zhang Ziegler
    """
)

STREETS = _names(
    """
    Alder Basin Birch Bluebell Brook Cedar Chapel Clover Cobble Copper Dogwood Elm Ferry Foundry Garnet Grove Harbor
    Hazel Heron Hickory Ivy Juniper Kiln Lantern Larch Linden Maple Meadow Mill Mulberry Oak Orchard Osprey Pine
    Poplar Quarry Ridge Rowan Saddle Sorrel Spring Spruce Sycamore Thistle Timber Walnut Willow Wren
    """
)
STREET_KINDS = ["St", "Ave", "Rd", "Ln", "Ct", "Dr", "Way"]

TOWNS = [
    # name, postal code, tax area: towns that do not exist, in a block of postal codes that is not assigned (from memory)
    ("Tamarack Falls", "55201", "river"),
    ("Tamarack Falls", "55202", "river"),
    ("Ostrander Bend", "55205", "river"),
    ("Cold Harrow", "55208", "county"),
    ("Pillar Lake", "55211", "county"),
    ("Wexcombe", "55214", "lake"),
]
STATE = "MN"
AREA_CODES = ["218", "320", "507", "612", "651", "763", "952"]
MORE_AREA_CODES = ["262", "414", "515", "563", "605", "608", "641", "701", "712", "715", "920"]

SCHOOLS = [
    # name, district, town index, delivery weekday, programmes
    ("Alder Grove Elementary", "Tamarack Valley Schools", 0, 0, ("band", "orchestra")),
    ("Basin Street Elementary", "Tamarack Valley Schools", 1, 0, ("band", "orchestra")),
    ("Copperleaf Elementary", "Tamarack Valley Schools", 2, 1, ("orchestra",)),
    ("Foundry Hill Middle School", "Tamarack Valley Schools", 0, 1, ("band", "orchestra")),
    ("Heron Point Middle School", "Tamarack Valley Schools", 2, 2, ("band", "orchestra")),
    ("Tamarack Valley High School", "Tamarack Valley Schools", 1, 2, ("band", "orchestra")),
    ("Cold Harrow Elementary", "Harrow County Schools", 3, 3, ("band",)),
    ("Harrow County Middle School", "Harrow County Schools", 3, 3, ("band", "orchestra")),
    ("Pillar Lake Elementary", "Harrow County Schools", 4, 3, ("band",)),
    ("Pillar Lake Middle School", "Harrow County Schools", 4, 4, ("band",)),
    ("Wexcombe Academy", "Wexcombe Independent", 5, 4, ("band", "orchestra")),
    ("Sorrel Hill School", "Wexcombe Independent", 5, None, ("orchestra",)),
]

MAKERS = ["Arvenne", "Brightwell", "Corvane", "Dunmere", "Estrelle", "Fenwick & Rowe", "Halloran", "Ivarsson"]
