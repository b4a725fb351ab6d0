"""The command that takes in a photo from a file."""

from pathlib import Path

from scentlab.cli.frame import CannotDo, command, opened


@command("""take in a photo of a piece

    Take in a photo (JPEG, PNG or WebP) of the piece with the blind code CODE: scaled, turned
    upright, and without the place, the device or anything else that a camera writes into it.
    The file itself is left as it is. The picture is kept in FOLDER/photos.

    scentlab photo cedar-2026 417 IMG_0412.jpg --test sweat --age 7 --choose

    FOLDER CODE FILE
    --test sweat|frost: what it shows
    --age DAYS: age of the piece when it was taken
    --tester CODE: who took it, such as A1
    --choose: choose it for the report
    """)
def _photo(arguments):
    from scentlab.recording.photos import MOST_BYTES, add_photo, choose_photo

    store, path = opened(arguments.folder), Path(arguments.file)
    if not path.is_file():
        raise CannotDo(f"there is no file {path}; look at its name")
    with path.open("rb") as file:
        data = file.read(MOST_BYTES + 1)
    receipt = add_photo(store, arguments.code, data, test=arguments.test,
                        age_days=arguments.age, assessor=arguments.tester)
    if arguments.choose:
        receipt = choose_photo(store, receipt.entry_id, True)
    print(f"photos {receipt.entry_id}: photo of piece {arguments.code} stored, without place and "
          f"device{', and chosen for the report' if arguments.choose else ''}")
