"""Keep what families are found by: keys and words follow every change of a name, a number or an address, whoever makes it."""

from django.db import migrations

FUNCTIONS = r"""
CREATE FUNCTION search_words(value text) RETURNS text
LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
RETURN btrim(regexp_replace(translate(public.plain(value), '''’‘`´.', ''), '[][\s,;:/()"&+_–—-]+', ' ', 'g'));

-- A street as people spell it: "12 Oak Street, Apt 2" and "12 oak st." are one. Abbreviations are common practice, no source.
CREATE FUNCTION street_plain(value text) RETURNS text
LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
BEGIN ATOMIC
    SELECT coalesce(string_agg(CASE word
        WHEN 'street' THEN 'st' WHEN 'avenue' THEN 'ave' WHEN 'road' THEN 'rd' WHEN 'lane' THEN 'ln' WHEN 'drive' THEN 'dr'
        WHEN 'court' THEN 'ct' WHEN 'place' THEN 'pl' WHEN 'boulevard' THEN 'blvd' WHEN 'terrace' THEN 'ter'
        WHEN 'north' THEN 'n' WHEN 'south' THEN 's' WHEN 'east' THEN 'e' WHEN 'west' THEN 'w' ELSE word END, ' ' ORDER BY place), '')
    FROM string_to_table(regexp_replace(public.search_words(value), '\m(apt|apartment|unit|#)\M.*$', ''), ' ')
         WITH ORDINALITY AS split (word, place)
    WHERE word <> '';
END;

CREATE FUNCTION search_turns(value text) RETURNS SETOF text
LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
BEGIN ATOMIC
    SELECT DISTINCT array_to_string(words[place:] || words[:place - 1], ' ')
    FROM (SELECT string_to_array(public.search_words(value), ' ') AS words) AS split,
         generate_subscripts(words, 1) AS place
    WHERE words <> ARRAY[''];
END;

CREATE FUNCTION search_keys(name text, phone text, email text) RETURNS TABLE (kind text, key text)
LANGUAGE sql IMMUTABLE PARALLEL SAFE
BEGIN ATOMIC
    SELECT 'n', turn FROM public.search_turns(name) AS turn
    UNION ALL
    SELECT 'd', regexp_replace(phone, '^\+1|^\+', '') WHERE phone <> ''
    UNION ALL
    SELECT 'p', reverse(substr(phone, 2)) WHERE phone <> ''
    UNION ALL
    SELECT 'e', lower(email) WHERE email <> '';
END;

-- The words of names that look like `asked`, and those that are one of `near` (one slip of the finger away), likeliest first.
CREATE FUNCTION similar_words(asked text, near text[], wanted int) RETURNS TABLE (word text, likeness real)
LANGUAGE sql STABLE PARALLEL SAFE
SET pg_trgm.similarity_threshold = 0.3
AS $$
    SELECT word, max(likeness) AS likeness FROM (
        SELECT word, public.similarity(word, asked) AS likeness
        FROM public.families_searchword WHERE word OPERATOR(public.%) asked
        UNION ALL
        SELECT word, 0.6::real FROM public.families_searchword WHERE word = ANY (near)
    ) AS alike GROUP BY word ORDER BY likeness DESC, word LIMIT wanted
$$;
"""

# The rows a trigger sees, with the three things a person is found by. {source} {table} {name} {phone} {email} differ.
TRIGGERS = r"""
CREATE FUNCTION {table}_search() RETURNS trigger
LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        PERFORM families_forget('{source}', array(SELECT id FROM old_rows));
        RETURN NULL;
    ELSIF TG_OP = 'UPDATE' THEN
        PERFORM families_forget('{source}', array(
            SELECT id FROM (SELECT id, {household} AS h, {name} AS n, {phone} AS p, {email} AS e FROM old_rows
                            EXCEPT SELECT id, {household}, {name}, {phone}, {email} FROM new_rows) AS gone));
    END IF;
    WITH made AS (
        INSERT INTO families_searchkey (household_id, kind, key, source, source_id)
        SELECT {household}, k.kind, k.key, '{source}', id FROM new_rows, search_keys({name}, {phone}, {email}) AS k
        ON CONFLICT DO NOTHING
        RETURNING kind, key
    )
    INSERT INTO families_searchword (word)
    SELECT DISTINCT split_part(key, ' ', 1) FROM made WHERE kind = 'n' ORDER BY 1
    ON CONFLICT DO NOTHING;
    RETURN NULL;
END $$;
CREATE TRIGGER search_insert AFTER INSERT ON {table} REFERENCING NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION {table}_search();
CREATE TRIGGER search_update AFTER UPDATE ON {table} REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION {table}_search();
CREATE TRIGGER search_delete AFTER DELETE ON {table} REFERENCING OLD TABLE AS old_rows
    FOR EACH STATEMENT EXECUTE FUNCTION {table}_search();
"""

FORGET = r"""
CREATE FUNCTION families_forget(from_source text, ids bigint[]) RETURNS void
LANGUAGE plpgsql AS $$
BEGIN
    WITH gone AS (
        DELETE FROM families_searchkey WHERE source = from_source AND source_id = ANY (ids)
        RETURNING household_id, kind, key, source, source_id
    )
    DELETE FROM families_searchword AS w
    USING (SELECT DISTINCT split_part(key, ' ', 1) AS word FROM gone WHERE kind = 'n') AS g
    WHERE w.word = g.word AND NOT EXISTS (
        SELECT FROM families_searchkey AS k
        WHERE k.kind = 'n' AND k.key >= w.word AND k.key < w.word || '!'
          AND NOT (k.source = from_source AND k.source_id = ANY (ids)));
END $$;
"""

PERSON = {"household": "household_id", "name": "given_name || ' ' || family_name", "phone": "''", "email": "''"}
TABLES = [
    {**PERSON, "source": "h", "table": "families_household", "household": "id", "name": "name"},
    {**PERSON, "source": "g", "table": "families_guardian", "phone": "phone", "email": "email"},
    {**PERSON, "source": "s", "table": "families_student"},
]
FILL = """
INSERT INTO families_searchkey (household_id, kind, key, source, source_id)
SELECT {household}, k.kind, k.key, '{source}', id FROM {table}, search_keys({name}, {phone}, {email}) AS k
ON CONFLICT DO NOTHING;
"""
FILL_WORDS = """
INSERT INTO families_searchword (word)
SELECT DISTINCT split_part(key, ' ', 1) FROM families_searchkey WHERE kind = 'n' ON CONFLICT DO NOTHING;
"""

DROP = "".join(f"DROP FUNCTION {table['table']}_search() CASCADE;" for table in TABLES) + """
DROP FUNCTION families_forget(text, bigint[]);
DROP FUNCTION similar_words(text, text[], int);
DROP FUNCTION search_keys(text, text, text);
DROP FUNCTION search_turns(text);
DROP FUNCTION street_plain(text);
DROP FUNCTION search_words(text);
DELETE FROM families_searchkey;
DELETE FROM families_searchword;
"""


class Migration(migrations.Migration):
    dependencies = [("families", "0003_search_keys"), ("runtime", "0001_extensions")]
    operations = [
        migrations.RunSQL(
            FUNCTIONS
            + FORGET
            + "".join(TRIGGERS.format(**table) + FILL.format(**table) for table in TABLES)
            + FILL_WORDS,
            DROP,
        ),
    ]
