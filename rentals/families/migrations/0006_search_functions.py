"""The search itself as functions: a session plans each statement once, and a misspelt name costs one round trip."""

from django.db import migrations

# `chr(1114111)` is the last character there is: from a beginning to the beginning and it lies all that starts so. Unlike ^@ and
# LIKE, that stays a range of the index in a plan made once for every text.
FUNCTIONS = r"""
-- As many as are asked for; the thousand a planner takes for granted would make pairs of them look like a million.
ALTER FUNCTION similar_words(text, text[], int) ROWS 10;

CREATE FUNCTION search_beginning(asked_kind text, begins text, look int, wanted int) RETURNS SETOF bigint
LANGUAGE plpgsql STABLE STRICT PARALLEL SAFE ROWS 10
AS $$
BEGIN
    RETURN QUERY
    SELECT household_id FROM (
        SELECT household_id, key FROM public.families_searchkey
        WHERE kind = asked_kind AND key >= begins AND key < begins || chr(1114111)
        ORDER BY key LIMIT look
    ) AS found GROUP BY household_id ORDER BY min(key), household_id LIMIT wanted;
END $$;

-- A name that no key begins with. Two words or more: `patterns` are what the words after the first must match, each anywhere.
-- `near_first` and `near_last` are spellings one slip away, a space between them: a list of 300 would
-- take longer to write than to look up.
-- One word: `patterns` is the one to look for inside words. Then spelling, as near as the words of names come to what was typed.
CREATE FUNCTION search_names(first text, last text, patterns text[], near_first text, near_last text, look int, wanted int)
RETURNS SETOF bigint
LANGUAGE plpgsql STABLE STRICT PARALLEL SAFE ROWS 10
AS $$
BEGIN
    IF last = '' THEN
        -- Planned for the very pattern: a plan for any pattern would read every word there is.
        RETURN QUERY EXECUTE $inside$
            SELECT household_id FROM (
                SELECT k.household_id, k.key
                FROM (SELECT word FROM public.families_searchword WHERE word LIKE $1 LIMIT $2) AS w
                CROSS JOIN LATERAL (
                    SELECT household_id, key FROM public.families_searchkey
                    WHERE kind = 'n' AND key >= w.word AND key < w.word || '!' ORDER BY key LIMIT $3
                ) AS k
                LIMIT $2
            ) AS found GROUP BY household_id ORDER BY min(key), household_id LIMIT $3
        $inside$ USING patterns[1], look, wanted;
        IF FOUND THEN RETURN; END IF;
        RETURN QUERY
        SELECT household_id FROM (
            SELECT k.household_id, k.key, w.likeness
            FROM public.similar_words(first, string_to_array(near_first, ' '), 8) AS w
            CROSS JOIN LATERAL (
                SELECT household_id, key FROM public.families_searchkey
                WHERE kind = 'n' AND key >= w.word AND key < w.word || '!' ORDER BY key LIMIT wanted
            ) AS k
        ) AS found GROUP BY household_id ORDER BY max(likeness) DESC, min(key), household_id LIMIT wanted;
        RETURN;
    END IF;
    RETURN QUERY
    SELECT household_id FROM (
        SELECT household_id, key FROM public.families_searchkey
        WHERE kind = 'n' AND key >= first AND key < first || chr(1114111) AND key LIKE ALL (patterns)
        ORDER BY key LIMIT look
    ) AS found GROUP BY household_id ORDER BY min(key), household_id LIMIT wanted;
    IF FOUND THEN RETURN; END IF;
    RETURN QUERY
    SELECT household_id FROM (
        SELECT k.household_id, k.key, pair.likeness
        FROM (SELECT a.word || ' ' || b.word AS words, a.likeness + b.likeness AS likeness
              FROM public.similar_words(first, string_to_array(near_first, ' '), 12) AS a,
                   public.similar_words(last, string_to_array(near_last, ' '), 12) AS b) AS pair
        CROSS JOIN LATERAL (
            SELECT household_id, key FROM public.families_searchkey
            WHERE kind = 'n' AND key >= pair.words AND key < pair.words || '!' ORDER BY key LIMIT wanted
        ) AS k
    ) AS found GROUP BY household_id ORDER BY max(likeness) DESC, min(key), household_id LIMIT wanted;
    IF FOUND THEN RETURN; END IF;
    RETURN QUERY
    SELECT household_id FROM (
        SELECT household_id, key, public.similarity(key, right_word || ' ' || other) AS likeness
        FROM (VALUES (first, last), (last, first)) AS asked (right_word, other)
        CROSS JOIN LATERAL (
            SELECT household_id, key FROM public.families_searchkey
            WHERE kind = 'n' AND key >= right_word || ' ' AND key < right_word || '!' LIMIT 2000
        ) AS k
        ORDER BY likeness DESC, key LIMIT look
    ) AS found GROUP BY household_id ORDER BY max(likeness) DESC, min(key), household_id LIMIT wanted;
END $$;
"""
DROP = """
ALTER FUNCTION similar_words(text, text[], int) ROWS 1000;
DROP FUNCTION search_names(text, text, text[], text, text, int, int);
DROP FUNCTION search_beginning(text, text, int, int);
"""


class Migration(migrations.Migration):
    dependencies = [("families", "0005_household_by_name")]
    operations = [migrations.RunSQL(FUNCTIONS, DROP)]
