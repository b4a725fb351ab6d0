"""What is made of a recommended load, as terminal and pages ask for it: batch, dossier, package."""

from functools import partial

from scentlab.choosing.known_load import known_load
from scentlab.planning.batch import make_batch, materials_of, recipe_here, sold_already
from scentlab.recording.photos import chosen_photos
from scentlab.sharing.dossier import write_dossier
from scentlab.sharing.package import prepare_package
from scentlab.units import GRAMS_PER_POUND


def batch_to_sell(analysis, folder, blend=None, load_pct=None, *, recipe=None, **much):
    """A batch of a blend (the first one) at its recommended load or another, by the recipe that is
    kept in the folder or another; of a pound of wax where it is not said how much."""
    return make_batch(known_load(analysis, blend, load_pct), materials_of(analysis.series),
                      recipe=recipe or recipe_here(folder), **much or {"wax_g": GRAMS_PER_POUND})


def dossier_of(analysis, store, path, blend=None, checked="", **much):
    """Write the dossier of a blend (the first one); returns its batch."""
    batch = batch_to_sell(analysis, store.folder, blend, **much)
    write_dossier(analysis, path, batch, checked, chosen_photos(store))
    return batch


def package_of(analysis, store, choices):
    """What would leave with these choices; the dossier too, where a batch was made before."""
    batch_of = partial(batch_to_sell, folder=store.folder) if sold_already(store.folder) else None
    return prepare_package(analysis, choices, chosen_photos(store), batch_of)
